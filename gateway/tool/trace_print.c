#include "trace_print.h"

#include "paragraph.h"

#include "analysis/trace_json.h"
#include "base/clock.h"

#include <math.h>
#include <stdio.h>

#define LABEL "  %-12s "
#define LINE "______________________________"

static const char caution[] =
    "Anybody who may use the receptacles and switches of this home may trace: plug in and "
    "switch only; nothing is opened, and nothing is done at the panel. What is told here is no "
    "proof that a circuit is dead: whoever works on it, a licensed electrician, tests that "
    "before. foretrip advises, switches nothing and is no protective device; local codes and a "
    "licensed electrician's word come first.";

static void print_what(const struct trace_sheet *t, const char *begun)
{
    printf("TRACING  %s; %.10s\n\n", t->site->name, begun);
    printf(LABEL "%s%s%s%s\n", "Place", t->place[0] ? t->place : LINE, t->half[0] ? ", " : "",
           t->half[0] ? t->half : "", t->half[0] ? " half" : "");
    printf(LABEL "%s\n", "What", t->is_switch ? "wall switch with its lights" : "receptacle");
    printf(LABEL "%s\n\n", "Traced by", t->by ? t->by : LINE);
}

/* so that somebody can look at the same seconds in the record */
static void print_beats(const struct trace_sheet *t)
{
    printf(LABEL, "Switched");
    for (int k = 0; k < TRACE_BEATS; k++) {
        char at[CLOCK_RFC3339_SIZE];
        clock_format_rfc3339(t->plan->at_wall_ms[k], at);
        const char *apart = k == 0 ? "" : k % 4 ? ", " : ",\n               ";
        printf("%s%s %.8s", apart, k % 2 ? "off" : "on", at + 11);
    }
    printf(t->tries > 1 ? " UTC; try %zu\n\n" : " UTC\n\n", t->tries);
}

static void print_guesses(const struct trace_sheet *t)
{
    const struct trace_result *r = t->result;
    if (r->verdict != TRACE_UNSURE)
        return;
    for (size_t i = 0; i < r->guess_count; i++) {
        char where[256];
        site_describe_circuit(t->site, r->guesses[i].circuit, where, sizeof where);
        printf(LABEL "%s, %.0f %%\n", i ? "" : "Likeliest", where,
               100.0 * r->guesses[i].probability);
    }
}

static void print_found(const struct trace_sheet *t)
{
    const struct trace_result *r = t->result;
    char said[512];
    puts("  Found");
    paragraph_print(trace_say(t->site, r, said, sizeof said), 4);
    putchar('\n');
    print_guesses(t);
    if (r->verdict != TRACE_UNREAD)
        printf(LABEL "%.1f %%%s\n", "How sure", 100.0 * fmin(r->probability, 0.999),
               r->verdict == TRACE_UNSURE ? ", not enough" : "");
    printf(LABEL "%zu with readings, %zu without\n\n", "Circuits", r->read, r->unread);
}

void trace_print(const struct trace_sheet *t)
{
    char begun[CLOCK_RFC3339_SIZE];
    clock_format_rfc3339(t->plan->at_wall_ms[0], begun);
    print_what(t, begun);
    print_beats(t);
    print_found(t);
    printf("  [ ] found dead with its breaker off, tested by " LINE " on __________\n");
    printf("  [ ] written on the panel's card\n\n  Notes\n\n\n\n");
    paragraph_print(caution, 0);
}
