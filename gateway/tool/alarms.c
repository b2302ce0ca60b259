/* foretrip alarms: what stands, out of the record, and with --follow what changes. */
#include "open_config.h"
#include "options.h"
#include "record.h"
#include "verbs.h"

#include "base/clock.h"
#include "base/text.h"
#include "notify/wording.h"
#include "store/reader.h"

#include <jansson.h>

#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LOOK_MS 300
#define EVENTS_AT_ONCE 500

struct view {
    struct config config;
    struct store_reader *reader;
    const char *language;
    bool json;
    size_t shown;
    int64_t seq; /* the newest event seen */
};

static volatile sig_atomic_t stop_asked;

static void ask_stop(int number)
{
    (void)number;
    stop_asked = 1;
}

static const char *member(const json_t *o, const char *key)
{
    const char *s = json_string_value(json_object_get(o, key));
    return s ? s : "";
}

/* an RFC 3339 time of the record by the site's clock; "" stays "" */
static void local_time(const struct view *v, const char *utc, char out[CLOCK_RFC3339_SIZE])
{
    int64_t wall_ms;
    out[0] = '\0';
    if (!clock_parse(utc, strlen(utc), &wall_ms))
        return;
    wall_ms += 1000 * (int64_t)clock_utc_offset_seconds(v->config.site.timezone, wall_ms);
    clock_format_rfc3339(wall_ms, out);
    out[10] = ' ';
    out[16] = '\0';
}

static void print_line(const struct text *t)
{
    if (t->length > 0)
        printf("    %s\n", text_get(t));
}

/* What has happened, what to do about it and the numbers belong together. */
static void print_words(const struct view *v, const json_t *alarm)
{
    struct wording w;
    struct news n;
    struct text what = TEXT_INIT, act = TEXT_INIT, figures = TEXT_INIT;
    if (!news_from_json(&v->config.site, alarm, &n))
        return;
    clock_parse(member(alarm, "raised_at"), strlen(member(alarm, "raised_at")),
                &n.raised_wall_ms);
    wording_init(&w, &v->config.phrases, v->language, &v->config.site,
                 clock_utc_offset_seconds(v->config.site.timezone, n.raised_wall_ms));
    wording_what(&w, &n, &what);
    wording_act(&w, &n, &act);
    wording_figures(&w, &n, &figures);
    print_line(&what);
    print_line(&act);
    print_line(&figures);
    text_free(&what);
    text_free(&act);
    text_free(&figures);
}

static void print_alarm(struct view *v, const char *json, bool all_of_it)
{
    char when[CLOCK_RFC3339_SIZE], until[CLOCK_RFC3339_SIZE];
    v->shown++;
    if (v->json) {
        puts(json);
        return;
    }
    json_t *o = json_loads(json, 0, NULL);
    const char *state = member(o, "state"), *by = member(o, "by"), *note = member(o, "note");
    local_time(v, member(o, all_of_it ? "raised_at" : "time"), when);
    local_time(v, member(o, "until"), until);
    bool reworded = member(o, "changed")[0] && !all_of_it;
    printf("%s  %-6s  %s  %s%s%s%s%s%s%s\n", when,
           json_is_true(json_object_get(o, "alert")) ? "alert" : member(o, "priority"),
           member(o, "alarm"), state, until[0] ? " until " : "", until, by[0] ? " by " : "", by,
           json_is_true(json_object_get(o, "chattering")) ? ", chattering" : "",
           reworded ? ", said anew" : "");
    if (note[0])
        printf("    (%s)\n", note);
    if (all_of_it || reworded || strcmp(state, "unacknowledged") == 0)
        print_words(v, o);
    json_decref(o);
}

static bool show_alarm(void *context, const struct store_alarm_row *row)
{
    print_alarm(context, row->json, true);
    return true;
}

static bool show_event(void *context, const struct store_event_row *row)
{
    struct view *v = context;
    if (strcmp(row->type, "alarm") == 0)
        print_alarm(v, row->json, false);
    v->seq = row->seq;
    return true;
}

static bool skip_event(void *context, const struct store_event_row *row)
{
    ((struct view *)context)->seq = row->seq;
    return true;
}

/* every event there is: the changes that follow begin behind them */
static enum store_err find_end(struct view *v)
{
    int64_t before;
    enum store_err err;
    do {
        before = v->seq;
        err = store_read_events(v->reader, v->seq, EVENTS_AT_ONCE, skip_event, v);
    } while (!err && v->seq != before);
    return err;
}

static enum store_err follow(struct view *v, int64_t end_mono_ms)
{
    enum store_err err = STORE_OK;
    while (!stop_asked && clock_mono_ms() < end_mono_ms &&
           (err == STORE_OK || err == STORE_ERR_BUSY)) {
        err = store_read_events(v->reader, v->seq, EVENTS_AT_ONCE, show_event, v);
        fflush(stdout);
        poll(NULL, 0, LOOK_MS);
    }
    return err == STORE_ERR_BUSY ? STORE_OK : err;
}

static enum exit_code show(struct view *v, const char *path, bool all, bool follows,
                           double seconds)
{
    enum store_err err = follows ? find_end(v) : STORE_OK;
    if (!err)
        err = store_read_alarms(v->reader, !all, show_alarm, v);
    if (!err && v->shown == 0 && !v->json)
        puts("no alarm stands");
    fflush(stdout);
    if (!err && follows)
        err =
            follow(v, seconds > 0 ? clock_mono_ms() + (int64_t)(seconds * 1000.0) : INT64_MAX);
    if (err)
        fprintf(stderr, "foretrip alarms: %s: %s\n", path, store_strerror(err));
    return err ? EXIT_BAD : EXIT_GOOD;
}

/* "es_MX.UTF-8" of the environment is "es", where there are words in it */
static const char *usual_language(const struct phrases *p, char code[3])
{
    static const char *const names[] = {"LC_ALL", "LC_MESSAGES", "LANG"};
    const char *set = NULL;
    for (int i = 0; i < 3 && !(set && set[0]); i++)
        set = getenv(names[i]);
    text_copy(code, 3, set ? set : "");
    return phrases_find(p, code) ? code : "en";
}

enum exit_code verb_alarms(int argc, char **argv)
{
    const char *directory = NULL, *database = NULL, *limit = NULL;
    bool all = false, follows = false;
    struct view v = {.seq = 0};
    const struct option_row rows[] = {{.name = "config", .value = &directory, .needed = true},
                                      {.name = "database", .value = &database},
                                      {.name = "seconds", .value = &limit},
                                      {.name = "language", .value = &v.language},
                                      {.name = "all", .flag = &all},
                                      {.name = "follow", .flag = &follows},
                                      {.name = "json", .flag = &v.json}};
    if (!options_take(rows, sizeof rows / sizeof rows[0], argc, argv))
        return EXIT_USAGE;
    char *end = NULL, path[RECORD_PATH_SIZE], usual[3];
    double seconds = limit ? strtod(limit, &end) : 0.0;
    if (limit && (*end || !(seconds > 0.0))) {
        fprintf(stderr, "foretrip alarms: --seconds takes a number above 0, not \"%s\"\n",
                limit);
        return EXIT_USAGE;
    }
    if (!open_config(&v.config, directory))
        return EXIT_BAD;
    if (v.language && !phrases_find(&v.config.phrases, v.language)) {
        fprintf(stderr, "foretrip alarms: --language %s: there are no phrases in it\n",
                v.language);
        config_free(&v.config);
        return EXIT_USAGE;
    }
    if (!v.language)
        v.language = usual_language(&v.config.phrases, usual);
    const struct sigaction stop = {.sa_handler = ask_stop};
    sigaction(SIGINT, &stop, NULL);
    sigaction(SIGTERM, &stop, NULL);
    if (record_find("alarms", directory, database, path))
        v.reader = store_reader_open(path);
    enum exit_code code = v.reader ? show(&v, path, all, follows, seconds) : EXIT_BAD;
    store_reader_close(v.reader);
    config_free(&v.config);
    return code;
}
