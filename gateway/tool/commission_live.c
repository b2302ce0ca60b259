/* A site's wiring over its buses: polls all of them, with a walk if wanted, and says what is
 * wrong. */
#include "commission.h"
#include "commission_session.h"

#include "analysis/trace_json.h"

#include <stdio.h>
#include <string.h>

static void say_walked(const struct site *s, int circuit, const struct wiring_walked *k)
{
    const struct trace_result *r = &k->result;
    char name[2 * SITE_NAME_SIZE + 32], text[512];
    if (r->verdict == TRACE_UNMETERED)
        puts("  no channel saw it: its transformer is open or missing, the place is on a "
             "circuit "
             "without one, or the load was not switched");
    else if (r->verdict != TRACE_ONE)
        printf("  %s\n", trace_say(s, r, text, sizeof text));
    else if (r->circuits[0] != circuit)
        printf("  seen on the channel of %s, %.1f A\n",
               site_describe_circuit(s, r->circuits[0], name, sizeof name), r->amps);
    else
        printf("  seen on its own channel, %.1f A%s\n", r->amps,
               r->poles < s->circuits[circuit].poles
                   ? " on one pole only; a load across both would show on the other too"
                   : "");
    if (r->verdict == TRACE_ONE && !wiring_walked_clearly(k))
        puts("  how much it drew is not clear: something else ran on the circuit");
}

/* False when there is to be no more of it. */
static bool walk_circuit(struct commission_session *l, const struct site *s, int circuit)
{
    char name[2 * SITE_NAME_SIZE + 32], question[2 * SITE_NAME_SIZE + 160], answer[16];
    bool again = true;
    site_describe_circuit(s, circuit, name, sizeof name);
    snprintf(
        question, sizeof question,
        "%s: ready (Enter), ready with another load than before (l), skip (s), or end (q)?",
        name);
    while (again) {
        commission_ask(question, "", answer, sizeof answer);
        if (answer[0] == 's' || answer[0] == 'q' || feof(stdin))
            return answer[0] == 's';
        if (answer[0] == 'l')
            commission_change_load(l);
        say_walked(s, circuit, commission_walk(l, circuit, &again));
        snprintf(question, sizeof question, "  once more (Enter), go on (s), or end (q)?");
    }
    return true;
}

static void walk_all(struct commission_session *l, const struct site *s)
{
    puts(
        "A walk: for each breaker, plug a load of 500 W or more with a switch of its own (a "
        "heater, a hair dryer) into a receptacle of its circuit, and switch it on and off when "
        "told to, four times. Use the same load throughout if you can: then a transformer of "
        "the wrong ratio shows too. Nobody has to open a panel or touch a breaker for it. Keep "
        "away from anything hot, buzzing, smelling or wet, and call a licensed electrician.");
    for (size_t i = 0; i < s->circuit_count; i++)
        if (s->circuits[i].meter >= 0 && s->circuits[i].feeds_panel < 0 &&
            !walk_circuit(l, s, (int)i))
            break;
}

enum exit_code commission_live(const struct commission_options *o, struct config *c)
{
    const struct site *s = &c->site;
    struct commission_session *l = commission_open(c);
    enum exit_code code = EXIT_BAD;
    if (!l)
        return code;
    if (o->walk)
        walk_all(l, s);
    if (o->seconds > 0) {
        printf("reading %zu meter%s for %d s; whatever goes on and off meanwhile is compared "
               "...\n",
               s->meter_count, s->meter_count == 1 ? "" : "s", o->seconds);
        fflush(stdout);
        commission_listen(l, (int64_t)o->seconds * 1000);
    }
    if (!commission_has_read(l))
        fputs("foretrip commission: no meter gave a current; foretrip read METER says why\n",
              stderr);
    else
        code = commission_say(s, commission_check(l));
    if (o->walk && code == EXIT_BAD && commission_has_read(l)) {
        puts("What stays as it is wired can be said in site.cfg instead:");
        commission_mend(o, s, commission_check(l));
    }
    commission_close(l);
    return code;
}
