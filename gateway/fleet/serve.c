#include "serve.h"

#include "centre.h"
#include "sql.h"

#include "base/clock.h"
#include "base/heap.h"
#include "base/log.h"
#include "base/service.h"

#include <string.h>

#define TURN_MS 200
#define RETRY_MS INT64_C(2000)

/* The database may start after us. */
static bool wait_for_store(const struct fleet_settings *f, const volatile sig_atomic_t *stop)
{
    char why[SQL_WHY_SIZE];
    for (bool said = false; !*stop; said = true) {
        struct sql *s = sql_open(f->database, why);
        sql_close(s);
        if (s)
            return true;
        if (!said)
            log_warning("centre", "the store cannot be reached, and is waited for: %s", why);
        clock_sleep_until_us(clock_mono_us() + 1000 * RETRY_MS);
    }
    return false;
}

static void say_where(const struct fleet_settings *f, int port)
{
    bool six = strchr(f->page.listen, ':') != NULL;
    log_info("centre", "the page is at %s://%s%s%s:%d/%s", f->page.cert[0] ? "https" : "http",
             six ? "[" : "", f->page.listen, six ? "]" : "", port,
             page_asks_who(&f->page) ? ""
                                     : ", for this machine alone: nobody is asked who "
                                       "they are");
}

int fleet_serve(const struct fleet_settings *settings, const volatile sig_atomic_t *stop)
{
    char why[CENTRE_WHY_SIZE];
    if (settings->page.off) {
        log_error("centre", "fleet.cfg has off = true in page: nothing is served");
        return 2; /* which a service manager does not try again */
    }
    if (!wait_for_store(settings, stop))
        return 0;
    struct centre *c = centre_create(settings, why);
    if (!c) {
        log_error("centre", "%s", why);
        return 1;
    }
    say_where(settings, centre_port(c));
    service_notify("READY=1");
    int64_t heap_mono_ms = 0;
    while (!*stop) {
        centre_turn(c, TURN_MS);
        heap_give_back(clock_mono_ms(), &heap_mono_ms);
        service_notify("WATCHDOG=1");
    }
    service_notify("STOPPING=1");
    centre_destroy(c);
    return 0;
}
