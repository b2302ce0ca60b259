/* Tables of strangers: no bytes may crash the reader, a table with a fault changes nothing, and
 * what a good one wants goes into the next table as it was wanted. */
#include "analysis/directory_csv.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void make_site(struct site *s)
{
    site_init(s);
    snprintf(site_add_panel(s)->id, SITE_ID_SIZE, "m");
    for (int i = 0; i < 3; i++) {
        struct site_circuit *c = site_add_circuit(s);
        snprintf(c->id, sizeof c->id, "m-%d", i);
        snprintf(c->position, sizeof c->position, "%d", 2 * i + 1);
        c->panel = 0;
        c->poles = 1;
        c->breaker_amps = 20;
    }
    site_finish(s);
}

static void apply(const struct site *s, const struct directory_changes *c,
                  struct directory_record *r)
{
    for (size_t i = 0; i < c->count; i++) {
        const struct directory_change *k = &c->list[i];
        if (k->kind == CHANGE_PURPOSE && k->words[0]) {
            struct directory_purpose *p = directory_add_purpose(r);
            snprintf(p->panel, sizeof p->panel, "m");
            memcpy(p->position, s->circuits[k->circuit].position, sizeof p->position);
            memcpy(p->words, k->words, sizeof p->words);
        } else if (k->kind == CHANGE_PLACE_ADDED) {
            struct directory_place *p = directory_add_place(r);
            memcpy(p->name, k->words, sizeof p->name);
            memcpy(p->part, k->part, sizeof p->part);
            memcpy(p->circuit, s->circuits[k->circuit].id, sizeof p->circuit);
            p->probability = p->amps = NAN;
        }
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct site s;
    struct directory_record r = {0};
    struct directory_changes c;
    struct directory d;
    struct text why = TEXT_INIT, out = TEXT_INIT;
    make_site(&s);
    bool good = directory_read_csv(&s, &r, (const char *)data, size, &c, &why);
    if (good != (why.length == 0) || (!good && c.count > 0))
        abort();
    if (good) {
        apply(&s, &c, &r);
        directory_changes_free(&c);
        if (!directory_build(&s, &r, NULL, 0, &d))
            abort();
        directory_write_csv(&d, &out);
        if (!directory_read_csv(&s, &r, text_get(&out), out.length, &c, &why) || c.count > 0) {
            printf("%s: %s\n", text_get(&why), text_get(&out));
            abort();
        }
        directory_free(&d);
    }
    directory_changes_free(&c);
    directory_record_free(&r);
    text_free(&why);
    text_free(&out);
    site_free(&s);
    return 0;
}
