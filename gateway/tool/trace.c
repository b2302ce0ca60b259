/* foretrip trace: which circuit a place is on. Guided at a terminal, or over what was recorded.
 */
#include "beat.h"
#include "kept.h"
#include "leave.h"
#include "trace_print.h"
#include "verbs.h"

#include "analysis/trace_json.h"
#include "base/clock.h"
#include "drivers/recorded.h"
#include "model/directory.h"
#include "store/traced.h"

#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define LEAD_MS 6000  /* before the first beat */
#define WAIT_MS 40000 /* for the last readings to reach the disk */

static const char cautions[] =
    "Anybody who may use the receptacles and switches of this home may do this. Plug in and "
    "switch\n"
    "only: nothing is opened, and nothing is done at the panel. Take a lamp or a heater of 60 "
    "to\n"
    "600 W with a switch of its own; never a refrigerator, a motor, or what somebody's health "
    "hangs\n"
    "on. Keep away from anything hot, buzzing, smelling, sparking, damaged or wet, and call a\n"
    "licensed electrician. What is told is no proof that a circuit is dead: test before work.\n"
    "foretrip advises, switches nothing and is no protective device.\n";

struct tracing {
    struct record *record;
    const char *place, *half, *by, *readings;
    bool is_switch, keep, json, print;
    struct traced traced;
};

static volatile sig_atomic_t stop_asked;

static void ask_stop(int signal_number)
{
    (void)signal_number;
    stop_asked = 1;
}

/* ---- by a recording ---- */

struct recording {
    size_t count, room;
    int64_t *times;
    float *amps;
};

static bool add_frame(struct recording *c, const struct frame *f)
{
    if (c->count > 0 && f->wall_ms <= c->times[c->count - 1])
        return true; /* the clock was set back */
    if (c->count == c->room) {
        size_t room = c->room ? 2 * c->room : 1024;
        int64_t *times = realloc(c->times, room * sizeof *times);
        if (!times)
            return false;
        c->times = times;
        float *amps = realloc(c->amps, room * f->poles * sizeof *amps);
        if (!amps)
            return false;
        c->amps = amps;
        c->room = room;
    }
    c->times[c->count] = f->wall_ms;
    memcpy(c->amps + c->count * f->poles, frame_amps(f), f->poles * sizeof *c->amps);
    c->count++;
    return true;
}

static bool read_recording(const struct tracing *t, const struct site *s, int64_t from,
                           int64_t to, struct recording *out)
{
    struct text problem = TEXT_INIT;
    struct recorded *r = recorded_open(s, t->readings, &problem);
    struct frame *f = frame_create(s);
    bool good = r && f;
    while (good && recorded_read(r, &f, 1) == 1 && f->wall_ms <= to)
        if (f->wall_ms >= from)
            good = add_frame(out, f);
    const char *why = r ? recorded_problem(r) : text_get(&problem);
    if (why[0] || !good)
        fprintf(stderr, "foretrip trace: %s\n", why[0] ? why : "memory is short");
    good = good && !why[0];
    recorded_close(r);
    frame_destroy(f);
    text_free(&problem);
    return good;
}

/* ---- judging ---- */

static bool judge(const struct tracing *t, struct trace_plan *plan, bool *complete,
                  struct trace_result *result)
{
    const struct site *s = &t->record->config.site;
    if (!t->readings)
        return record_ok(
            t->record, "trace",
            traced_judge(t->record->reader, s, &t->traced, plan, complete, result));
    struct recording c = {0};
    int64_t from, to;
    traced_span(s, &t->traced, plan, &from, &to);
    bool good = read_recording(t, s, from, to + STORE_READINGS_MS, &c);
    *complete = good && c.count > 0 && c.times[c.count - 1] >= to;
    const struct trace_rows rows = {c.count, c.times, c.amps};
    if (*complete)
        good = traced_judge_rows(s, &t->traced, &rows, result);
    free(c.times);
    free(c.amps);
    return good;
}

static enum exit_code print_result(const struct tracing *t, const struct trace_plan *plan,
                                   const struct trace_result *r)
{
    const struct site *s = &t->record->config.site;
    char said[512];
    if (t->json)
        return kept_print_json(json_pack("{s:s, s:o, s:o}", "place", t->place ? t->place : "",
                                         "plan", trace_plan_json(plan), "result",
                                         trace_result_json(s, r)));
    if (t->print) {
        trace_print(&(struct trace_sheet){.site = s,
                                          .place = t->place ? t->place : "",
                                          .half = t->half,
                                          .is_switch = t->is_switch,
                                          .by = t->by,
                                          .tries = t->traced.tries,
                                          .plan = plan,
                                          .result = r});
        return EXIT_GOOD;
    }
    printf("%s\n", trace_say(s, r, said, sizeof said));
    printf("  %s of it %.1f %%",
           r->verdict == TRACE_UNSURE ? "Likeliest, but not sure enough:" : "Sure",
           100.0 * fmin(r->probability, 0.999));
    for (size_t i = 0; r->verdict == TRACE_UNSURE && i < r->guess_count; i++)
        printf("; %s %.0f %%", s->circuits[r->guesses[i].circuit].id,
               100.0 * r->guesses[i].probability);
    printf(r->unread ? "; %zu circuits had no readings\n" : "\n", r->unread);
    return EXIT_GOOD;
}

static enum exit_code keep(const struct tracing *t)
{
    const struct traced *k = &t->traced;
    struct text begins = TEXT_INIT;
    for (size_t i = 0; i < k->count; i++)
        text_printf(&begins, i ? ",%.3f" : "%.3f", (double)k->begins_wall_ms[i] / 1000.0);
    json_t *wish =
        json_pack("{s:s, s:s, s:s, s:s, s:s, s:i, s:b}", "act", "keep", "place", t->place,
                  "part", t->half, "kind", t->is_switch ? "switch" : "receptacle", "begins",
                  text_get(&begins), "tries", (int)k->tries, "light", t->is_switch);
    if (!isnan(k->amps))
        json_object_set_new(wish, "amps", json_real(k->amps));
    text_free(&begins);
    return leave_directory_wish(t->record, "trace", wish, t->by);
}

static bool is_told(const struct trace_result *r)
{
    return r->verdict != TRACE_UNSURE && r->verdict != TRACE_UNREAD;
}

static enum exit_code judge_recorded(struct tracing *t)
{
    struct trace_plan plan;
    struct trace_result r;
    bool complete = false;
    if (!judge(t, &plan, &complete, &r))
        return EXIT_BAD;
    if (!complete) {
        fprintf(stderr, "foretrip trace: the readings end before the tracing does\n");
        return EXIT_BAD;
    }
    enum exit_code code = print_result(t, &plan, &r);
    if (code == EXIT_GOOD && t->keep && is_told(&r))
        code = keep(t);
    return code == EXIT_GOOD && !is_told(&r) ? EXIT_BAD : code;
}

/* ---- guided ---- */

static bool sleep_until(void *context, int64_t wall_ms)
{
    (void)context;
    while (!stop_asked && clock_wall_ms() < wall_ms) {
        int64_t left = wall_ms - clock_wall_ms();
        usleep((useconds_t)(left < 100 ? left : 100) * 1000);
    }
    return !stop_asked;
}

static bool wait_and_judge(struct tracing *t, struct trace_plan *plan, struct trace_result *r)
{
    bool complete = false;
    int64_t end = plan->end_wall_ms + WAIT_MS;
    printf("  Leave it off. The last readings are on their way ...\n");
    sleep_until(NULL, plan->end_wall_ms);
    while (!complete && !stop_asked && clock_wall_ms() < end) {
        if (!judge(t, plan, &complete, r))
            return false;
        if (!complete)
            sleep_until(NULL, clock_wall_ms() + 500);
    }
    if (!complete && !stop_asked)
        fprintf(stderr, "foretrip trace: no readings came; is the gateway running?\n");
    return complete;
}

static bool ask(const char *question, char *out, size_t size)
{
    printf("%s", question);
    fflush(stdout);
    if (stop_asked || !fgets(out, (int)size, stdin))
        return false;
    out[strcspn(out, "\r\n")] = '\0';
    return true;
}

/* makes room for one more beginning: the oldest goes */
static void begin_one(struct traced *t, int64_t wall_ms)
{
    if (t->count == TRACED_MOST || (t->count > 0 && wall_ms - t->begins_wall_ms[0] > 3000000)) {
        memmove(t->begins_wall_ms, t->begins_wall_ms + 1,
                (t->count - 1) * sizeof t->begins_wall_ms[0]);
        t->count--;
    }
    t->begins_wall_ms[t->count++] = wall_ms;
}

static enum exit_code trace_place(struct tracing *t)
{
    enum exit_code code = EXIT_BAD;
    char answer[32];
    for (t->traced.tries = 1; t->traced.tries <= TRACE_TRIES; t->traced.tries++) {
        struct trace_plan plan;
        struct trace_result r;
        begin_one(&t->traced, (clock_wall_ms() + LEAD_MS) / 1000 * 1000);
        trace_plan(t->traced.begins_wall_ms[t->traced.count - 1],
                   trace_beat_ms(&t->record->config.site), &plan);
        if (!beat_give(&plan, sleep_until, NULL) || !wait_and_judge(t, &plan, &r))
            return EXIT_BAD;
        code = print_result(t, &plan, &r);
        if (is_told(&r)) {
            if (t->keep || (ask("Keep it in the directory? [Y/n] ", answer, sizeof answer) &&
                            answer[0] != 'n' && answer[0] != 'N'))
                code = keep(t);
            if (isnan(t->traced.amps) && !isnan(r.amps))
                t->traced.amps = r.amps; /* the same load goes on to the next place */
            return code;
        }
        if (t->traced.tries == TRACE_TRIES ||
            !ask("Once more? [Y/n] ", answer, sizeof answer) || answer[0] == 'n')
            return EXIT_BAD;
    }
    return code;
}

static enum exit_code guide(struct tracing *t)
{
    enum exit_code code = EXIT_GOOD;
    char name[DIRECTORY_WORDS_SIZE + 2];
    struct sigaction action = {.sa_handler = ask_stop};
    sigaction(SIGINT, &action, NULL);
    printf("%s\n", cautions);
    if (t->place) {
        if (!ask("Plug in the load, switched off, and press Enter. ", name, sizeof name))
            return EXIT_BAD;
        return trace_place(t);
    }
    while (ask("\nPlace (nothing: end): ", name, sizeof name) && name[0]) {
        const char *fault = directory_words_fault(name, false);
        if (fault) {
            printf("  Please another name: %s.\n", fault);
            continue;
        }
        t->place = name;
        if (trace_place(t) != EXIT_GOOD)
            code = EXIT_BAD;
    }
    t->place = NULL; /* it goes now */
    return code;
}

/* ---- the command line ---- */

static bool take_amps(const char *amps, const char *watts, double volts, double *out)
{
    char *end;
    const char *given = amps ? amps : watts;
    *out = NAN;
    if (!given)
        return true;
    double v = strtod(given, &end);
    if (*end || !(v > 0.0) || (amps && watts)) {
        fprintf(stderr, "foretrip trace: --amps or --watts takes a number above 0\n");
        return false;
    }
    *out = amps ? v : v / volts;
    return true;
}

static bool take_words(const struct tracing *t)
{
    const char *fault = t->place ? directory_words_fault(t->place, false) : NULL;
    if (!fault && !directory_part_valid(t->half))
        fault = "--half is upper or lower";
    if (!fault && t->keep && !t->place)
        fault = "--keep needs the place's name";
    if (fault)
        fprintf(stderr, "foretrip trace: %s\n", fault);
    return !fault;
}

enum exit_code verb_trace(int argc, char **argv)
{
    struct record_options o = {0};
    struct tracing t = {.half = "", .traced = {.tries = 1}};
    const char *amps = NULL, *watts = NULL, *begin = NULL, *tries = NULL;
    const struct option_row rows[] = {
        {.name = "config", .value = &o.config, .needed = true},
        {.name = "database", .value = &o.database},
        {.name = "amps", .value = &amps},
        {.name = "watts", .value = &watts},
        {.name = "switch", .flag = &t.is_switch},
        {.name = "half", .value = &t.half},
        {.name = "begin", .value = &begin},
        {.name = "tries", .value = &tries},
        {.name = "readings", .value = &t.readings},
        {.name = "keep", .flag = &t.keep},
        {.name = "by", .value = &t.by},
        {.name = "json", .flag = &t.json},
        {.name = "print", .flag = &t.print},
    };
    int words = argc > 1 && argv[1][0] != '-';
    t.place = words ? argv[1] : NULL;
    argv[words] = argv[0];
    if (!options_take(rows, sizeof rows / sizeof rows[0], argc - words, argv + words) ||
        !take_words(&t))
        return EXIT_USAGE;
    struct record r;
    enum exit_code code =
        t.readings ? record_open_config(&r, "trace", &o) : record_open(&r, "trace", &o);
    if (code != EXIT_GOOD)
        return code;
    t.record = &r;
    const char *fault = begin ? traced_parse(begin, &t.traced) : NULL;
    size_t number = tries ? (size_t)strtoul(tries, NULL, 10) : 1;
    if (!fault && (number < 1 || number > TRACE_TRIES || (begin && number > t.traced.count)))
        fault = "--tries is 1 to 4, and no more than there are beginnings";
    if (!fault && t.json && t.print)
        fault = "either --json or --print";
    if (!fault && !begin && (t.readings || t.json || t.print || !isatty(STDIN_FILENO)))
        fault = "--begin is needed, except at a terminal over a running gateway";
    if (fault)
        fprintf(stderr, "foretrip trace: %s\n", fault);
    code = fault || !take_amps(amps, watts, r.config.site.nominal_volts, &t.traced.amps)
               ? EXIT_USAGE
               : EXIT_GOOD;
    t.traced.tries = number;
    t.traced.is_light = t.is_switch;
    if (code == EXIT_GOOD)
        code = begin ? judge_recorded(&t) : guide(&t);
    record_close(&r);
    return code;
}
