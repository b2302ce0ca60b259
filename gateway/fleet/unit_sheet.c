#include "unit_sheet.h"

#include "ask.h"
#include "portfolio.h"
#include "sheet_text.h"

#include "base/clock.h"
#include "base/text.h"

#include <stdio.h>
#include <stdlib.h>

struct heard {
    bool known, online;
    int64_t heard_ms;
};

static bool see_unit(void *context, const struct portfolio_unit *u)
{
    *(struct heard *)context = (struct heard){true, u->site.online, u->site.heard_ms};
    return false;
}

/* what the centre knows of a unit that does not answer */
static void say_heard(const struct fleet_settings *settings, const char *site)
{
    char why[SQL_WHY_SIZE], time[CLOCK_RFC3339_SIZE];
    struct heard h = {0};
    struct sql *s = sql_open(settings->database, why);
    bool read =
        s && portfolio_units(s, clock_wall_ms(), &(struct portfolio_scope){.site_id = site}, 1,
                             see_unit, &h) == SQL_FINE;
    sql_close(s);
    if (!read)
        return;
    clock_format_rfc3339(h.heard_ms, time);
    if (!h.known)
        fprintf(stderr, "no unit of that id has been heard of here\n");
    else if (h.heard_ms > 0)
        fprintf(stderr, "heard of last at %s, its line is %s\n", time,
                h.online ? "up" : "down");
    else
        fprintf(stderr, "it was added here and has not been heard of yet\n");
}

static char *members_of(const char *trip)
{
    json_t *o = json_object();
    if (trip[0])
        json_object_set_new(o, "trip", json_string(trip));
    char *text = json_dumps(o, JSON_COMPACT);
    json_decref(o);
    return text;
}

int unit_sheet_print(const struct fleet_settings *settings, const char *site, const char *trip,
                     int timeout_ms)
{
    char why[ASK_WHY_SIZE];
    struct ask_answer x = {0};
    struct text out = TEXT_INIT;
    struct asker *a = asker_start(settings, why);
    char *members = members_of(trip);
    if (!a || !members) {
        fprintf(stderr, "%s\n", a ? "memory is short" : why);
    } else if (asker_wait(a, site, "sheet", members, timeout_ms, &x) != ASK_OK) {
        fprintf(stderr, "%s: %s\n", site, x.why);
        if (x.err == ASK_ERR_GATEWAY || x.err == ASK_ERR_TIME)
            say_heard(settings, site);
    } else if (!sheet_text(x.json, x.length, &out) || out.failed) {
        fprintf(stderr, "%s: what its gateway answered is no sheet\n", site);
        x.err = ASK_ERR_ANSWER;
    }
    bool good = a && members && x.err == ASK_OK;
    if (good)
        fputs(text_get(&out), stdout);
    free(members);
    ask_answer_free(&x);
    text_free(&out);
    asker_stop(a);
    return good ? 0 : 1;
}
