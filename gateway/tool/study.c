/* foretrip study: load calculations as sheets, by nameplates and by the record. */
#include "find.h"
#include "kept.h"
#include "paragraph.h"
#include "verbs.h"

#include "analysis/study_json.h"
#include "base/clock.h"
#include "store/site_demand.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define YEAR_MS (INT64_C(366) * 86400000)

struct asking {
    const char *circuit, *panel, *amps;
    bool continuous, fastened, dedicated, json, print;
};

/* ---- the sheets in print ---- */

static void print_step(const struct study_step *x)
{
    if (x->unit == UNIT_CONDITION) {
        printf("  [%c] %-46s %-16s %s\n",
               isnan(x->value)   ? '?'
               : x->value != 0.0 ? 'x'
                                 : ' ',
               study_item_text(x->item), x->section, x->sum);
        return;
    }
    char what[64 + SITE_NAME_SIZE];
    snprintf(what, sizeof what, "%s%s%s", x->name, x->name[0] ? ", " : "",
             study_item_text(x->item));
    printf("  %-15s %-46s %-22s ", x->section, what, x->sum);
    if (isnan(x->value))
        puts("  not known");
    else
        printf("%10.*f %s\n", x->unit == UNIT_VA ? 0 : 2, x->value, study_unit_name(x->unit));
}

static const char *verdict_text(enum study_verdict v)
{
    switch (v) {
    case STUDY_NOTHING_ASKED: return "Nothing was to be added.";
    case STUDY_FITS: return "By these sections it fits.";
    case STUDY_DOES_NOT_FIT: return "By these sections it does not fit.";
    case STUDY_UNDECIDED:
        return "Undecided: what is marked [?] is for a person to judge, or a condition is not "
               "met.";
    }
    return "";
}

static void print_sheet(const struct record *r, const struct study_sheet *t)
{
    const struct site *s = &r->config.site;
    const struct load_study *l = &r->config.study;
    const struct site_panel *p = &s->panels[t->panel];
    char place[256], from[CLOCK_RFC3339_SIZE], to[CLOCK_RFC3339_SIZE];
    if (t->circuit >= 0)
        site_describe_circuit(s, t->circuit, place, sizeof place);
    else
        snprintf(place, sizeof place, "%s, %s", p->name,
                 p->fed_by >= 0 ? "its feeder" : "its service");
    clock_format_rfc3339(r->from, from);
    clock_format_rfc3339(r->to, to);
    printf("LOAD STUDY  %s  %s\n", s->name, place);
    printf("%s %s%s%s", t->edition[0] ? "NEC" : "IEC", t->section,
           t->edition[0] ? ", edition " : "", t->edition);
    if (t->kind == STUDY_OPTIONAL || t->kind == STUDY_EXISTING)
        puts("; by nameplates as study.cfg has them");
    else
        printf("; record %.16sZ to %.16sZ\n", from, to);
    putchar('\n');
    for (size_t i = 0; i < t->step_count; i++)
        print_step(&t->steps[i]);
    printf("\n  %s\n", verdict_text(t->verdict));
    if (t->edition[0] && l->editions[l->edition].note[0])
        paragraph_print(l->editions[l->edition].note, 2);
    putchar('\n');
    paragraph_print(study_caution, 0);
}

/* ---- the verb ---- */

static bool take_question(const struct site *s, const struct asking *ask,
                          struct study_question *q)
{
    char *end = NULL;
    *q = (struct study_question){-1,
                                 -1,
                                 {.continuous = ask->continuous,
                                  .fastened = ask->fastened,
                                  .dedicated = ask->dedicated}};
    if (ask->circuit && (q->circuit = find_circuit(s, "study", ask->circuit)) < 0)
        return false;
    if (ask->panel && (q->panel = find_panel(s, "study", ask->panel)) < 0)
        return false;
    if (ask->amps && (!((q->addition.amps = strtod(ask->amps, &end)) > 0.0) || *end ||
                      q->addition.amps > 10000.0))
        fprintf(stderr, "foretrip study: --amps \"%s\" is no current; 0 to 10000 A is\n",
                ask->amps);
    else
        return true;
    return false;
}

static enum exit_code answer(const struct record *r, const struct study_question *q,
                             const struct asking *ask)
{
    const struct config *c = &r->config;
    enum store_err err;
    struct site_demand *d = site_demand_create(&c->site, r->reader, r->from, r->to, &err);
    struct study_sheet *sheets = calloc(STUDY_MOST_SHEETS, sizeof *sheets);
    enum exit_code code = EXIT_BAD;
    if (record_ok(r, "study", err) && sheets) {
        size_t n = study_ask(&c->study, &c->site, d->circuits, d->panels, q, sheets);
        for (size_t i = 0; !ask->json && i < n; i++) {
            if (i)
                putchar(ask->print ? '\f' : '\n');
            print_sheet(r, &sheets[i]);
        }
        if (ask->json)
            code =
                kept_print_json(study_json(&c->study, &c->site, q, sheets, n, r->from, r->to));
        else
            code = fflush(stdout) == 0 ? EXIT_GOOD : EXIT_BAD;
    }
    free(sheets);
    site_demand_destroy(d);
    return code;
}

enum exit_code verb_study(int argc, char **argv)
{
    struct record_options o;
    struct asking ask = {0};
    struct option_row rows[RECORD_OPTIONS + 7];
    struct record r;
    struct study_question q;
    record_option_rows(&o, rows);
    const struct option_row more[7] = {
        {.name = "panel", .value = &ask.panel},
        {.name = "amps", .value = &ask.amps},
        {.name = "continuous", .flag = &ask.continuous},
        {.name = "fastened", .flag = &ask.fastened},
        {.name = "dedicated", .flag = &ask.dedicated},
        {.name = "json", .flag = &ask.json},
        {.name = "print", .flag = &ask.print},
    };
    memcpy(rows + RECORD_OPTIONS, more, sizeof more);
    if (argc > 1 && argv[1][0] != '-') {
        ask.circuit = argv[1];
        argv[1] = argv[0];
        argc--;
        argv++;
    }
    if (!options_take(rows, RECORD_OPTIONS + 7, argc, argv))
        return EXIT_USAGE;
    if (ask.circuit && ask.panel) {
        fputs("foretrip study: a circuit or a panel, not both\n", stderr);
        return EXIT_USAGE;
    }
    enum exit_code code = record_open(&r, "study", &o);
    if (code != EXIT_GOOD)
        return code;
    if (!o.from && r.to - r.from > YEAR_MS)
        r.from = r.to - YEAR_MS; /* the maximum demand over a year */
    code = take_question(&r.config.site, &ask, &q) ? answer(&r, &q, &ask) : EXIT_USAGE;
    record_close(&r);
    return code;
}
