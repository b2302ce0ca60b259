#include "serve.h"

#include "base/log.h"

#include <string.h>

struct web *serve_page(const struct config *c, struct store *store, const char *database)
{
    const struct page_settings *p = &c->page;
    char why[256];
    if (p->off)
        return NULL;
    struct web_options o = {.settings = p,
                            .site = &c->site,
                            .phrases = &c->phrases,
                            .tariff = &c->tariff,
                            .study = &c->study,
                            .rules = &c->rules,
                            .signatures = &c->signatures,
                            .store = store,
                            .store_path = database,
                            .delivery = &c->delivery};
    struct web *w = web_start(&o, why, sizeof why);
    if (w)
        log_info("page",
                 strchr(p->listen, ':') ? "served at %s://[%s]:%d/" : "served at %s://%s:%d/",
                 p->cert[0] ? "https" : "http", p->listen, web_port(w));
    else
        log_warning("page", "%s: no page is served", why);
    return w;
}
