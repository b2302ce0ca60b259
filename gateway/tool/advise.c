/* foretrip advise: what would have kept breakers from opening, by the record played again. */
#include "kept.h"
#include "paragraph.h"
#include "verbs.h"

#include "base/clock.h"
#include "store/advice_json.h"
#include "store/advice_record.h"

#include <stdio.h>
#include <stdlib.h>

#define USUAL_MS (INT64_C(92) * 86400000) /* the last months */

/* ---- the sheet ---- */

static const char done[] = "[ ] done  date ______________  by ______________________________";

/* one item after the other, a page at a time where it is for paper */
struct sheet {
    const struct record *r;
    bool print;
    int items, lines; /* of the page */
};

static void print_head(struct sheet *p)
{
    char from[CLOCK_RFC3339_SIZE], to[CLOCK_RFC3339_SIZE];
    clock_format_rfc3339(p->r->from, from);
    clock_format_rfc3339(p->r->to, to);
    printf("ADVICE  %s; record %.16sZ to %.16sZ\n\n", p->r->config.site.name, from, to);
    p->lines = 2;
}

static void print_item(struct sheet *p, const char *words)
{
    struct text item = TEXT_INIT;
    if (p->print)
        text_printf(&item, "%d. ", ++p->items);
    text_append(&item, words);
    int wanted = paragraph_lines(text_get(&item), 2) + (p->print ? 3 : 1) +
                 paragraph_lines(advice_caution, 0);
    if (p->print && p->lines > 2 && p->lines + wanted > PARAGRAPH_PAGE_LINES) {
        paragraph_print(advice_caution, 0);
        putchar('\f');
        print_head(p);
    }
    p->lines += paragraph_print(text_get(&item), 2) + 1;
    if (p->print)
        p->lines += paragraph_print(done, 5) + 1;
    puts(p->print ? "\n" : "");
    text_free(&item);
}

static void print_all(const struct record *r, const struct advice *advice, size_t count,
                      const struct panel_balance *balance, size_t balance_count, bool print)
{
    const struct site *s = &r->config.site;
    struct sheet page = {.r = r, .print = print};
    print_head(&page);
    if (count == 0)
        puts("  No trip by overload and no worn breaker that a change would have prevented.\n");
    for (size_t i = 0; i < count + balance_count; i++) {
        struct text words = TEXT_INIT;
        if (i < count)
            advice_say(s, &advice[i], &words);
        else
            advice_say_balance(s, &balance[i - count], &words);
        print_item(&page, text_get(&words));
        text_free(&words);
    }
    paragraph_print(advice_caution, 0);
}

static enum exit_code answer(const struct record *r, bool json, bool print)
{
    const struct config *c = &r->config;
    struct advice *advice = calloc(ADVICE_MOST, sizeof *advice);
    size_t legs = 0;
    enum store_err err, balance_err;
    struct panel_balance *balance = site_balance_create(&c->site, &c->rules, r->reader, r->from,
                                                        r->to, &legs, &balance_err);
    struct advice_store *a =
        advice_store_open(&c->site, &c->rules, &c->signatures, r->reader, r->from, r->to, &err);
    enum exit_code code = EXIT_BAD;
    int n = -1;
    if (record_ok(r, "advise", balance_err) && record_ok(r, "advise", err) && advice) {
        n = advice_find(advice_store_record(a), advice);
        if (n < 0 && record_ok(r, "advise", advice_store_problem(a)))
            fputs("foretrip advise: memory is short, or what was learned is damaged\n", stderr);
    }
    if (n >= 0 && json) {
        code = kept_print_json(
            advice_json(&c->site, advice, (size_t)n, balance, legs, r->from, r->to));
    } else if (n >= 0) {
        print_all(r, advice, (size_t)n, balance, legs, print);
        code = fflush(stdout) == 0 ? EXIT_GOOD : EXIT_BAD;
    }
    advice_store_close(a);
    free(balance);
    free(advice);
    return code;
}

enum exit_code verb_advise(int argc, char **argv)
{
    struct record_options o;
    struct option_row rows[RECORD_OPTIONS + 2];
    bool json = false, print = false;
    struct record r;
    record_option_rows(&o, rows);
    rows[RECORD_OPTIONS] = (struct option_row){.name = "json", .flag = &json};
    rows[RECORD_OPTIONS + 1] = (struct option_row){.name = "print", .flag = &print};
    if (!options_take(rows, RECORD_OPTIONS + 2, argc, argv))
        return EXIT_USAGE;
    enum exit_code code = record_open(&r, "advise", &o);
    if (code != EXIT_GOOD)
        return code;
    if (!o.from && r.to - r.from > USUAL_MS)
        r.from = r.to - USUAL_MS;
    code = answer(&r, json, print);
    record_close(&r);
    return code;
}
