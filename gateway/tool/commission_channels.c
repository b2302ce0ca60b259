/* Which breaker is on which channel: asked, or told by a load that is switched to a beat. */
#include "commission_new.h"
#include "commission_session.h"

#include "analysis/trace_json.h"
#include "drivers/link.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The leg of a place on a panel whose rows take the legs by turns (common practice). */
static char usual_leg(int position, int legs)
{
    return (char)('A' + (position > 0 ? (position - 1) / 2 % legs : 0));
}

/* A breaker as the panel door names it. */
struct breaker {
    char position[16], legs[4], name[SITE_NAME_SIZE]; /* legs "": the usual ones */
    double amps;
};

/* "14,16 60 AB Range": position, amps, legs when they are not the usual ones, name */
static bool take_breaker(const char *line, struct breaker *b)
{
    char word[32] = "";
    int at = 0, used = 0;
    *b = (struct breaker){0};
    if (sscanf(line, "%15s %lf%n", b->position, &b->amps, &at) != 2 || !(b->amps > 0.0))
        return false;
    if (sscanf(line + at, " %31s%n", word, &used) == 1 && strlen(word) <= 3 &&
        strspn(word, "ABC") == strlen(word)) {
        snprintf(b->legs, sizeof b->legs, "%.3s", word);
        at += used;
    }
    while (line[at] == ' ')
        at++;
    size_t n = 0;
    for (; line[at] && n + 1 < SITE_NAME_SIZE; at++)
        b->name[n++] = line[at] == '"' || line[at] == '\\' ? '\'' : line[at];
    b->name[n] = '\0';
    return true;
}

static int poles_of(const char *position)
{
    int n = 1;
    for (; *position; position++)
        n += *position == ',';
    return n > SITE_MAX_POLES ? SITE_MAX_POLES : n;
}

/* where its transformers are */
struct place {
    const struct found_meter *meter;
    int channels[SITE_MAX_POLES];
};

static struct place place_from(const struct found_meter *m, int channel)
{
    struct place p = {.meter = m};
    for (int k = 0; k < SITE_MAX_POLES; k++)
        p.channels[k] = channel + k;
    return p;
}

struct writing {
    struct text *text;
    const char *comma;
    int panel_legs;
};

static void write_circuit(struct writing *w, const struct place *at, const struct breaker *b,
                          const char *remark)
{
    char usual[4] = "", id[32] = "", channels[48] = "";
    const char *position = b->position;
    int poles = poles_of(position), place = atoi(position);
    for (int k = 0; k < poles; k++) {
        usual[k] = usual_leg(place + 2 * k, w->panel_legs);
        usual[k + 1] = '\0';
        sprintf(channels + strlen(channels), "%s%d", k ? ", " : "", at->channels[k]);
    }
    for (size_t i = 0, n = 0; position[i] && n < 20; i++)
        if (isalnum((unsigned char)position[i]) || position[i] == ',')
            id[n++] = position[i] == ',' ? '-' : position[i];
    text_printf(w->text, "%s\n", w->comma);
    if (remark[0])
        text_printf(w->text, "  # %s\n", remark);
    text_printf(
        w->text,
        "  { id = \"main-%s\"; panel = \"main\"; position = \"%s\"; name = \"%s\"; poles = "
        "%d; leg = \"%s\"; breaker_amps = %.6g; meter = \"m%d\"; channels = [ %s ]; }",
        id, position, b->name[0] ? b->name : "not said", poles, b->legs[0] ? b->legs : usual,
        b->amps, at->meter->unit, channels);
    w->comma = ",";
}

static const char how[] =
    "  as on the panel door, such as: 7 20 Kitchen   or: 14,16 40 AB Range";

static int ask_channel(struct writing *w, const struct found_meter *m, int channel)
{
    char question[160], now[48] = "nothing", line[200];
    struct breaker b;
    struct place at = place_from(m, channel);
    if (m->amps[channel] >= 0.0)
        snprintf(now, sizeof now, "%.2f A", m->amps[channel]);
    snprintf(question, sizeof question, "unit %d, channel %d (now %s):", m->unit, channel, now);
    for (;;) {
        commission_ask(question, "", line, sizeof line);
        if (!line[0])
            return 1;
        if (take_breaker(line, &b))
            break;
        puts(how);
    }
    write_circuit(w, &at, &b, "");
    return poles_of(b.position);
}

static void ask_channels(struct writing *w, const struct survey *v)
{
    puts("Now the channels. For each: position and rating as on the panel door, the legs if "
         "they are not the usual ones, a name; for two poles both positions (the next "
         "channel is the second pole's). Enter alone leaves a channel out. The transformers "
         "tell their channel by their cable: nobody has to open a panel for this. (With "
         "--walk a load that is switched tells it.)");
    for (size_t i = 0; i < v->meter_count; i++)
        for (int channel = 1; v->meters[i].map[0] && channel <= v->meters[i].channels;)
            channel += ask_channel(w, &v->meters[i], channel);
}

/* Without questions: what carries a current, to be filled in by hand. */
static void list_live_channels(struct writing *w, const struct found_meter *m, size_t nth)
{
    /* places of a second meter are called B1, B2: two breakers cannot have one place */
    char letter[2] = {nth ? (char)('A' + nth % 26) : '\0', '\0'};
    for (int channel = 1; m->map[0] && channel <= m->channels; channel++) {
        struct breaker b = {.amps = 20.0};
        struct place at = place_from(m, channel);
        char remark[96];
        if (!(m->amps[channel] >= 0.05))
            continue;
        snprintf(b.position, sizeof b.position, "%s%d", letter, channel);
        snprintf(remark, sizeof remark,
                 "%.2f A when it was found; position, rating, leg and name are to be filled in",
                 m->amps[channel]);
        write_circuit(w, &at, &b, remark);
    }
}

/* ---- by a walk --------------------------------------------------------------------------- */

#define TAKEN_MOST 512
#define FIRST_MS 3000 /* within which the meters are read */

struct walking {
    const struct survey *survey;
    struct config config; /* a circuit for each channel of each meter */
    struct commission_session *session;
    struct place taken[TAKEN_MOST];
    char by[TAKEN_MOST][16]; /* positions */
    size_t taken_count;
};

static const struct found_meter *meter_of(const struct walking *k, int circuit)
{
    int unit = k->config.site.meters[k->config.site.circuits[circuit].meter].unit;
    for (size_t i = 0; i < k->survey->meter_count; i++)
        if (k->survey->meters[i].unit == unit)
            return &k->survey->meters[i];
    return NULL;
}

static bool add_meter(struct config *c, const struct survey *v, const struct found_meter *m)
{
    struct site *s = &c->site;
    struct site_meter *meter = site_add_meter(s);
    if (!meter)
        return false;
    snprintf(meter->id, sizeof meter->id, "m%d", m->unit);
    snprintf(meter->map, sizeof meter->map, "%s", m->map);
    meter->bus = 0;
    meter->unit = m->unit;
    meter->panel = 0;
    for (int channel = 1; channel <= m->channels; channel++) {
        struct site_circuit *x = site_add_circuit(s);
        if (!x)
            return false;
        snprintf(x->id, sizeof x->id, "m%d-%d", m->unit, channel);
        snprintf(x->position, sizeof x->position, "%d", channel);
        snprintf(x->name, sizeof x->name, "unit %d", m->unit);
        snprintf(x->leg, sizeof x->leg, "A");
        x->poles = 1;
        x->panel = 0;
        x->meter = (int)s->meter_count - 1;
        x->channels[0] = channel;
    }
    if (meter_map_find(&c->maps, m->map))
        return true;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct meter_map *more =
        realloc(c->maps.maps, (c->maps.count + 1) * sizeof *more); /* freed with the config */
    if (!more)
        return false;
    c->maps.maps = more;
    bool ok = config_load_map(&more[c->maps.count], v->options->directory, m->map, &faults);
    c->maps.count += ok;
    faults_free(&faults);
    return ok;
}

/* The bus as it was found, with a circuit for every channel. */
static bool describe_bus(struct walking *k)
{
    const struct survey *v = k->survey;
    struct site *s = &k->config.site;
    site_init(s);
    struct site_panel *p = site_add_panel(s);
    struct site_bus *b = p ? site_add_bus(s) : NULL;
    if (!b)
        return false;
    snprintf(s->timezone, sizeof s->timezone, "UTC");
    snprintf(p->id, sizeof p->id, "main");
    p->legs = SITE_MAX_LEGS;
    *b = v->scan.bus;
    snprintf(b->id, sizeof b->id, "new");
    b->poll_ms = 1000;
    for (size_t i = 0; i < v->meter_count; i++)
        if (v->meters[i].map[0] && !add_meter(&k->config, v, &v->meters[i]))
            return false;
    site_finish(s);
    return true;
}

/* "7", "7,9", "2/7": the unit where there are several; the poles' channels */
static bool take_place(const struct survey *v, const char *line, int poles, struct place *out)
{
    const char *slash = strchr(line, '/');
    int unit = slash ? atoi(line) : v->meters[0].unit, n = 0;
    *out = (struct place){0};
    for (size_t i = 0; i < v->meter_count; i++)
        if (v->meters[i].unit == unit && v->meters[i].map[0])
            out->meter = &v->meters[i];
    char *end = NULL;
    for (const char *at = slash ? slash + 1 : line; n < poles; at = end + 1) {
        long channel = strtol(at, &end, 10);
        if (!out->meter || end == at || channel < 1 || channel > out->meter->channels)
            return false;
        out->channels[n++] = (int)channel;
        if (*end != ',')
            break;
    }
    return n == poles && end && *end == '\0';
}

/* Where the walk saw it; false when that is no whole answer for so many poles. */
static bool place_seen(const struct walking *k, const struct wiring_walked *w, int poles,
                       struct place *out)
{
    const struct trace_result *r = &w->result;
    const struct site_circuit *circuits = k->config.site.circuits;
    char text[512];
    int seen = r->verdict == TRACE_ONE ? 1 : r->verdict == TRACE_TWO ? 2 : 0;
    if (seen == 0) {
        puts(r->verdict == TRACE_UNMETERED
                 ? "  no channel saw it: its transformer is open or missing, or the load was "
                   "not switched"
                 : trace_say(&k->config.site, r, text, sizeof text));
        return false;
    }
    *out = place_from(meter_of(k, r->circuits[0]), 0);
    for (int i = 0; i < seen; i++) {
        out->channels[i] = circuits[r->circuits[i]].channels[0];
        printf("  seen on channel %d of unit %d\n", out->channels[i],
               meter_of(k, r->circuits[i])->unit);
    }
    if (seen != poles)
        printf(
            "  the breaker has %d pole%s: switch what hangs across %s, or type the channels\n",
            poles, poles == 1 ? "" : "s", poles == 1 ? "it alone" : "all of them");
    return seen == poles && (seen == 1 || meter_of(k, r->circuits[1]) == out->meter);
}

static const char *taken_by(const struct walking *k, const struct place *p, int poles)
{
    for (size_t i = 0; i < k->taken_count; i++)
        for (int a = 0; a < poles; a++)
            for (int b = 0; b < poles_of(k->by[i]); b++)
                if (k->taken[i].meter == p->meter && k->taken[i].channels[b] == p->channels[a])
                    return k->by[i];
    return NULL;
}

/* A breaker's transformers: by the beat, or as somebody types them. */
static bool find_place(struct walking *k, const struct breaker *b, struct place *out,
                       bool *by_walk, double *amps)
{
    char answer[32];
    int poles = poles_of(b->position);
    for (;;) {
        bool again = true;
        commission_ask("  plug the load in, switched off: ready (Enter), its channel (such as "
                       "7 or 2/7), or leave it out (s)?",
                       "", answer, sizeof answer);
        if (answer[0] == 's')
            return false;
        *by_walk = answer[0] == '\0';
        if (feof(stdin))
            return false;
        if (*by_walk) {
            const struct wiring_walked *w = commission_walk(k->session, -1, &again);
            *amps = w->result.amps;
            if (!place_seen(k, w, poles, out))
                continue;
        } else if (!take_place(k->survey, answer, poles, out)) {
            puts("  that is no channel of these meters (one for each pole: 7 or 7,9)");
            continue;
        }
        const char *other = taken_by(k, out, poles);
        if (!other)
            return true;
        printf("  that is where breaker %s is: the place hangs on that one, or one of the two "
               "walks was of the other\n",
               other);
    }
}

static void remark_rest(struct writing *w, const struct walking *k)
{
    struct place p;
    for (size_t i = 0; i < k->survey->meter_count; i++) {
        const struct found_meter *m = &k->survey->meters[i];
        for (int channel = 1; m->map[0] && channel <= m->channels; channel++) {
            p = place_from(m, channel);
            if (m->amps[channel] >= 0.05 && !taken_by(k, &p, 1))
                text_printf(w->text,
                            "\n  # unit %d, channel %d carried %.2f A: no breaker was found "
                            "for it",
                            m->unit, channel, m->amps[channel]);
        }
    }
}

static void walk_breakers(struct writing *w, struct walking *k)
{
    char line[200], remark[96] = "";
    puts(
        "Now the breakers, as the panel door names them, and for each a load that is switched "
        "on and off in one of its places when told to, four times: the channel that sees it is "
        "its own. 500 W or more with a switch of its own (a heater, a hair dryer); for two "
        "poles what hangs on them (a dryer, a range). Nobody has to open a panel or touch a "
        "breaker for it. Keep away from anything hot, buzzing, smelling or wet, and call a "
        "licensed electrician.");
    while (k->taken_count < TAKEN_MOST) {
        struct breaker b;
        struct place at;
        bool by_walk;
        double amps = 0.0;
        commission_ask("breaker (Enter: no more):", "", line, sizeof line);
        if (!line[0])
            break;
        if (!take_breaker(line, &b)) {
            puts(how);
            continue;
        }
        if (!find_place(k, &b, &at, &by_walk, &amps))
            continue;
        k->taken[k->taken_count] = at;
        snprintf(k->by[k->taken_count++], sizeof k->by[0], "%s", b.position);
        if (by_walk)
            snprintf(remark, sizeof remark,
                     "channel told by a load of %.1f A that was switched", amps);
        write_circuit(w, &at, &b, by_walk ? remark : "channel as somebody said");
    }
    remark_rest(w, k);
}

/* False when the meters cannot be read for it. */
static bool walk(struct writing *w, const struct survey *v)
{
    static struct walking k;
    k = (struct walking){.survey = v};
    link_close(v->link); /* a serial line is one program's, and the session's now */
    bool ok = describe_bus(&k) && (k.session = commission_open(&k.config)) != NULL;
    if (ok)
        commission_listen(k.session, FIRST_MS);
    ok = ok && commission_has_read(k.session);
    if (ok)
        walk_breakers(w, &k);
    else
        puts("The meters give no current that a walk could be seen by.");
    commission_close(k.session);
    site_free(&k.config.site);
    meter_map_set_free(&k.config.maps);
    return ok;
}

void commission_write_circuits(struct text *t, const struct survey *v, int panel_legs)
{
    struct writing w = {.text = t, .comma = "", .panel_legs = panel_legs};
    text_printf(t, "\n# legs that nobody named are those of the usual order of a panel's rows; "
                   "foretrip commission\n# BUS tells where that is wrong\ncircuits = (");
    if (v->options->yes)
        for (size_t i = 0; i < v->meter_count; i++)
            list_live_channels(&w, &v->meters[i], i);
    else if (!v->options->walk || !walk(&w, v))
        ask_channels(&w, v);
    text_printf(t, "\n);\n");
}
