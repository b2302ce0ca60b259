#include "near_overload.h"

#include "habits.h"
#include "outlook.h"
#include "overload_rules.h"
#include "trip_texts.h"

#include "base/lanes.h"
#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define WATCH_SHARE 0.5       /* of the rating: below this nothing is looked at, ... */
#define WATCH_SHARE_LEAST 0.3 /* ... or from here when a usual load would pass the rating */
#define CHANGED_SHARE 0.02    /* of the rating: a change that is looked at at once */
/* Looked at again after a twentieth of the time that the current has been the same (what heat
 * does next takes about as long as what it did), but not sooner and not later than this. */
#define LOOK_AGAIN_SHARE 20
#define LOOK_AGAIN_LEAST_MS 5000
#define LOOK_AGAIN_CALM_MS 20000 /* while nothing is near */
#define LOOK_AGAIN_MOST_MS 60000
#define MOST_IN_VAIN 8
/* An alert asks for nothing: said again and again it is only a nuisance. It stays so many times
 * as long as an alarm once it is over. */
#define ALERT_STAYS 2.5
#define ROOM_SAID_AMPS 1.0 /* a smaller load is not worth its number */
/* how long, and up to which share more than now, nothing can become near: tried in this order
 */
#define CALM_TRIES 2
static const struct {
    double seconds, share;
} calm_tries[CALM_TRIES] = {{90.0, 1.03}, {600.0, 1.15}};

struct watched {
    float from_amps;
    float looked_amps;
    int64_t looked_ms;
    int64_t changed_ms; /* when the current was last another */
    bool looked;
    bool raises, keeps; /* as of the last look, */
    float on_seconds;   /* for so long it has to stand */
    bool alert;         /* what it raises asks for nothing to be done now, ... */
    bool near;          /* ... and what makes an alarm of it when it stands */
    bool told;          /* alarms know of it: judged until it is over */
    bool stood;       /* as of the last judgement; raised as a mere maybe; and the chance did */
    bool maybe, came; /* come up while it stood */
    uint8_t in_vain;  /* such warnings in a row for which it did not */
    bool waits, worded; /* for its on-delay since then; the words were given */
    int64_t waits_since_ms;
    float calm_amps; /* up to this and until then no look can find anything: see outlook_calm */
    int64_t calm_until_ms;
};

struct near_overload {
    struct outlook_sources from;
    struct alarms *alarms;
    struct habits *habits;
    bool started;         /* a frame was taken */
    int64_t mono_ms;      /* of the last one */
    float *pole_from;     /* per pole: no circuit is judged at or below it */
    int *circuit_of;      /* per pole; those of one circuit lie side by side */
    struct dwell *dwells; /* per circuit */
    struct joins *joins;  /* per circuit */
    struct watched circuits[];
};

static void set_watch(struct near_overload *n, size_t i)
{
    double rating = n->from.site->circuits[i].breaker_amps;
    double room = rating - habits_largest_amps(n->habits, (int)i);
    double from = fmin(WATCH_SHARE * rating, fmax(WATCH_SHARE_LEAST * rating, room));
    const struct site_circuit *c = &n->from.site->circuits[i];
    n->circuits[i].from_amps = (float)from;
    /* what alarms know of is judged at any current, and a stay may end at any */
    for (int p = 0; p < c->poles; p++)
        n->pole_from[c->first_pole + p] =
            n->circuits[i].told || n->dwells[i].amps > 0.0F ? -1.0F : (float)from;
}

struct near_overload *near_overload_create(const struct site *s, const struct rules_set *rules,
                                           const struct breakers *b, const struct loads *l,
                                           struct alarms *a)
{
    struct near_overload *n = calloc(1, sizeof *n + s->circuit_count * sizeof n->circuits[0]);
    if (!n)
        return NULL;
    n->alarms = a;
    n->habits = habits_create(s);
    n->pole_from = calloc(s->poles_total + LANES, sizeof *n->pole_from);
    n->circuit_of = calloc(s->poles_total + 1, sizeof *n->circuit_of);
    n->dwells = calloc(s->circuit_count + 1, sizeof *n->dwells);
    n->joins = calloc(s->circuit_count + 1, sizeof *n->joins);
    if (!n->habits || !n->pole_from || !n->circuit_of || !n->dwells || !n->joins) {
        near_overload_destroy(n);
        return NULL;
    }
    n->from = (struct outlook_sources){.site = s,
                                       .rules = rules,
                                       .breakers = b,
                                       .loads = l,
                                       .habits = n->habits,
                                       .dwells = n->dwells,
                                       .joins = n->joins};
    for (size_t i = 0; i < s->circuit_count; i++) {
        for (int p = 0; p < s->circuits[i].poles; p++)
            n->circuit_of[s->circuits[i].first_pole + p] = (int)i;
        set_watch(n, i);
    }
    return n;
}

void near_overload_destroy(struct near_overload *n)
{
    if (!n)
        return;
    habits_destroy(n->habits);
    free(n->pole_from);
    free(n->circuit_of);
    free(n->dwells);
    free(n->joins);
    free(n);
}

static bool opened_by_heat(const struct event_trip *t)
{
    return t->stage == TRIP_CONFIRMED &&
           (t->cause == CAUSE_OVERLOAD || t->cause == CAUSE_WORN_BREAKER);
}

void near_overload_event(struct near_overload *n, const struct event *e)
{
    bool learned = e->type == EVENT_TRIP || e->type == EVENT_BREAKER_REPLACED;
    if (learned && e->circuit >= 0) /* what is known of it now may make it weaker */
        n->circuits[e->circuit].calm_until_ms = INT64_MIN;
    if (e->type == EVENT_TRIP && e->circuit >= 0 && opened_by_heat(&e->trip)) {
        n->circuits[e->circuit].in_vain = 0;
        joins_opened(&n->joins[e->circuit], e->trip.opened_wall_ms);
    }
    if (e->type != EVENT_LOAD_ON && e->type != EVENT_LOAD_OFF)
        return;
    habits_event(n->habits, e);
    set_watch(n, (size_t)e->circuit);
}

/* ---- what is said --------------------------------------------------------------------------
 */

static void say_time(double seconds, struct text *out)
{
    text_append(out, "about ");
    trip_texts_time(seconds < 90.0 ? fmax(10.0, 10.0 * round(seconds / 10.0)) : seconds, out);
}

static void say_loads(const struct event_load *off, size_t count, struct text *out)
{
    for (size_t k = 0; k < count; k++) {
        if (k > 0)
            text_append(out, k + 1 == count ? " and " : ", ");
        if (strcmp(off[k].appliance, LOADS_UNKNOWN) == 0) {
            text_printf(out, "what draws %.1f A", off[k].amps);
        } else {
            text_append(out, "the ");
            trip_texts_appliance(&off[k], out);
        }
    }
}

static void say(const struct near_overload *n, int circuit, const struct outlook *o,
                const struct breaker_forecast *f, const struct event_near_overload *e,
                struct text *text, struct figures *figures)
{
    const struct site *s = n->from.site;
    const struct rules *r = &n->from.rules->circuits[circuit];
    char where[256];
    site_describe_circuit(s, circuit, where, sizeof where);
    where[0] = 'B'; /* begins the sentence */
    if (o->chance >= r->near_overload_chance) {
        /* what is likelier later than soon is said by the time within which it may be */
        bool later = f->p50_seconds > r->near_overload_horizon_seconds;
        text_printf(text, "%s may open %s ", where, later ? "within" : "in");
        say_time(later ? r->near_overload_horizon_seconds : f->p50_seconds, text);
        text_append(text,
                    e->switch_off_count ? ": switch off or unplug " : ": switch something off");
        say_loads(e->switch_off, e->switch_off_count, text);
    } else {
        if (overload_rules_soon(o))
            text_printf(text,
                        "%s opens soon if what is on there goes on; mostly it ends in time",
                        where);
        else if (o->join_amps >= ROOM_SAID_AMPS)
            text_printf(text, "%s is warm and has no room for another load of %.0f A", where,
                        o->join_amps);
        else
            text_printf(text, "%s is warm and has little room left", where);
        text_append(text, e->switch_off_count
                              ? ": switch nothing more on there, or first switch off "
                              : ": switch nothing more on there");
        say_loads(e->switch_off, e->switch_off_count, text);
    }
    text_append(text, ".");
    figures_add(figures, FIGURE_LOAD, o->amps);
    figures_add(figures, FIGURE_BREAKER, s->circuits[circuit].breaker_amps);
    figures_add(figures, FIGURE_HEAT, 100.0 * f->heat);
    figures_add(figures, FIGURE_CHANCE_OF_OPENING, 100.0 * e->chance);
    figures_add(figures, FIGURE_WITHIN, r->near_overload_horizon_seconds / 60.0);
    figures_add(figures, FIGURE_OPENS_SOONEST, f->p05_seconds);
    figures_add(figures, FIGURE_OPENS_MOST_LIKELY, f->p50_seconds);
    figures_add(figures, FIGURE_OPENS_LATEST, f->p95_seconds);
    figures_add(figures, FIGURE_ROOM_NOW, f->headroom_amps);
    figures_add(figures, FIGURE_ROOM_FOR_3_HOURS, f->headroom_3h_amps);
    if (o->join_amps > 0.0) {
        figures_add(figures, FIGURE_USUAL_LOAD, o->join_amps);
        figures_add(figures, FIGURE_CHANCE_WITH_IT, 100.0 * o->join_chance);
    }
}

#define CAUTIONS                                                                               \
    " If an outlet, a plug or the panel is hot, buzzing, smelling, sparking, damaged or wet, " \
    "keep away from it and call a licensed electrician. Smoke, fire or a burning smell: "      \
    "leave "                                                                                   \
    "and call the emergency number. foretrip only advises and is no protective device; local " \
    "codes and a licensed electrician's word come first."
static const char advice[] =
    "Switch off or unplug at the appliance, but no medical equipment; nothing needs to be done "
    "at the panel." CAUTIONS;
static const char advice_of_alert[] =
    "Nothing has to be done now, neither at an appliance nor at the panel." CAUTIONS;

/* ---- judging -------------------------------------------------------------------------------
 */

static struct alarm_judgement judgement_of(const struct near_overload *n, size_t i, bool stands)
{
    const struct rules *r = &n->from.rules->circuits[i];
    return (struct alarm_judgement){
        .kind = ALARM_NEAR_OVERLOAD,
        .subject = {n->from.site->circuits[i].panel, (int)i, -1},
        .stands = stands,
        .on_seconds = (double)n->circuits[i].on_seconds,
        .off_seconds = r->near_overload_off_seconds,
        .priority = n->circuits[i].alert ? PRIORITY_LOW : PRIORITY_HIGH,
        .alert = n->circuits[i].alert,
        .advice = n->circuits[i].alert ? advice_of_alert : advice,
    };
}

/* with the words and numbers, which cost more than the judgement */
static void raise_it(struct near_overload *n, size_t i, const struct frame *f,
                     const struct outlook *o)
{
    struct alarm_judgement j = judgement_of(n, i, true);
    struct event_load off[LOADS_MAX_RUNNING];
    struct breaker_forecast fc;
    struct text text = TEXT_INIT;
    struct figures figures;
    figures_clear(&figures);
    breakers_forecast(n->from.breakers, (int)i, o->amps, &fc);
    double chance = outlook_chance(&n->from, (int)i, f->mono_ms, o->amps,
                                   n->from.rules->circuits[i].near_overload_horizon_seconds);
    struct event_near_overload e = {
        .amps = o->amps,
        .p05_seconds = fc.p05_seconds,
        .p50_seconds = fc.p50_seconds,
        .p95_seconds = fc.p95_seconds,
        .chance = chance,
        .headroom_amps = fc.headroom_amps,
        .switch_off = off,
        .switch_off_count = outlook_switch_off(&n->from, (int)i, o, off),
    };
    say(n, (int)i, o, &fc, &e, &text, &figures);
    j.text = text_get(&text);
    j.figures = &figures;
    j.near_overload = &e;
    alarms_judge(n->alarms, f->mono_ms, f->wall_ms, &j);
    text_free(&text);
}

/* Finds for how long this circuit need not be looked at; false: it is near, or may be soon. */
static bool calm_down(struct near_overload *n, size_t i, const struct frame *f, double amps)
{
    struct watched *w = &n->circuits[i];
    double chance = n->from.rules->circuits[i].near_overload_clear_chance;
    int k = 0;
    for (; k < CALM_TRIES; k++) {
        double most = fmax(calm_tries[k].share * amps, (double)w->from_amps);
        if (!outlook_calm(&n->from, (int)i, most, calm_tries[k].seconds, chance,
                          OUTLOOK_HALF_LEAST))
            break;
        w->calm_amps = (float)most;
        w->calm_until_ms = f->mono_ms + (int64_t)(1000.0 * calm_tries[k].seconds);
    }
    if (k == 0)
        return false;
    w->raises = w->keeps = w->waits = w->worded = false;
    w->looked = false; /* when the calm is over: at once */
    return true;
}

/* what may join is expected from look to look; a rise may be it */
static void await_joins(struct near_overload *n, size_t i, const struct frame *f, double amps,
                        const struct outlook *o)
{
    const struct watched *w = &n->circuits[i];
    struct joins *j = &n->joins[i];
    double rise = amps - (double)w->looked_amps,
           rating = n->from.site->circuits[i].breaker_amps;
    int64_t ms = w->looked ? f->mono_ms - w->looked_ms : 0;
    if (w->looked && j->rate > 0.0F && rise > CHANGED_SHARE * rating)
        joins_rose(j, f->wall_ms);
    joins_look(j, ms < LOOK_AGAIN_MOST_MS ? ms : LOOK_AGAIN_MOST_MS, o->join_rate);
}

static void look(struct near_overload *n, size_t i, const struct frame *f, double amps,
                 struct outlook *o)
{
    struct watched *w = &n->circuits[i];
    const struct rules *r = &n->from.rules->circuits[i];
    bool comes_on = w->looked && habits_knows(n->habits, (int)i, amps - (double)w->looked_amps);
    outlook_take(&n->from, (int)i, f->mono_ms, amps, o);
    await_joins(n, i, f, amps, o);
    w->near = overload_rules_near(r, o);
    w->raises = w->near || overload_rules_soon(o) || overload_rules_maybe(o, w->in_vain);
    w->on_seconds = (float)overload_rules_on_seconds(r, o, comes_on);
    w->alert = o->chance < r->near_overload_chance;
    if (!w->stood) {
        w->maybe = !w->near;
        w->came = false;
    }
    w->came |= o->chance >= r->near_overload_chance;
    w->keeps = overload_rules_keep(r, n->from.site->circuits[i].breaker_amps, o);
    w->looked = true;
    w->looked_amps = (float)amps;
    w->looked_ms = f->mono_ms;
}

/* the words cost some work: they are made once, when the on-delay is over */
static bool words_due(struct watched *w, double on, int64_t now_ms)
{
    if (!w->waits) {
        w->waits = true;
        w->waits_since_ms = now_ms;
    }
    if (w->worded || (double)(now_ms - w->waits_since_ms) < on * 1000.0)
        return false;
    w->worded = true;
    return true;
}

static int64_t look_again_ms(const struct watched *w, int64_t now_ms)
{
    int64_t least = w->keeps ? LOOK_AGAIN_LEAST_MS : LOOK_AGAIN_CALM_MS;
    int64_t share = (now_ms - w->changed_ms) / LOOK_AGAIN_SHARE;
    return share < least ? least : share < LOOK_AGAIN_MOST_MS ? share : LOOK_AGAIN_MOST_MS;
}

static void judge(struct near_overload *n, size_t i, const struct frame *f, double amps)
{
    struct watched *w = &n->circuits[i];
    struct outlook o;
    const struct alarm_subject subject = {n->from.site->circuits[i].panel, (int)i, -1};
    bool standing = alarms_standing(n->alarms, ALARM_NEAR_OVERLOAD, subject);
    bool alerted = alarms_alert(n->alarms, ALARM_NEAR_OVERLOAD, subject);
    double change = (amps - (double)w->looked_amps) / n->from.site->circuits[i].breaker_amps;
    /* once it stands, only its end is waited for, and that is minutes off */
    bool changed = standing ? change > CHANGED_SHARE : fabs(change) > CHANGED_SHARE;
    bool due =
        !w->looked || changed || f->mono_ms - w->looked_ms >= look_again_ms(w, f->mono_ms);
    if (changed)
        w->changed_ms = f->mono_ms;
    if (due && !w->told && calm_down(n, i, f, amps))
        return;
    if (due)
        look(n, i, f, amps, &o);
    if (alerted)
        w->alert = !w->near;
    struct alarm_judgement j =
        judgement_of(n, i, standing ? w->keeps : w->raises && amps > (double)w->from_amps);
    if (alerted)
        j.off_seconds *= ALERT_STAYS;
    if (!j.stands || (alerted && !w->near))
        w->waits = w->worded = false;
    /* the alarm's own delay may be over at another moment: it is never raised without words */
    if ((j.stands && (!standing || (alerted && w->near)) &&
         words_due(w, (double)w->on_seconds, f->mono_ms)) ||
        alarms_raises(n->alarms, f->mono_ms, &j)) {
        if (!due)
            outlook_take(&n->from, (int)i, f->mono_ms, amps, &o);
        w->near = overload_rules_near(&n->from.rules->circuits[i], &o);
        w->alert =
            alerted ? !w->near : o.chance < n->from.rules->circuits[i].near_overload_chance;
        if (w->near || !alerted)
            raise_it(n, i, f, &o);
    } else if (j.stands || w->told) {
        alarms_judge(n->alarms, f->mono_ms, f->wall_ms, &j);
    }
    bool stands = alarms_standing(n->alarms, j.kind, j.subject), told = j.stands || stands;
    if (w->stood && !stands)
        w->in_vain =
            w->came ? 0 : (uint8_t)(w->in_vain + (w->maybe && w->in_vain < MOST_IN_VAIN));
    w->stood = stands;
    if (told != w->told) {
        w->told = told;
        set_watch(n, i);
    }
}

/* the stay of its current */
static void follow(struct near_overload *n, size_t i, const struct frame *f, double amps)
{
    struct dwell *d = &n->dwells[i];
    bool stayed = d->amps > 0.0F;
    dwell_read(d, f->mono_ms, amps, n->from.site->circuits[i].breaker_amps,
               n->from.rules->circuits[i].zero_amps);
    if (stayed != (d->amps > 0.0F))
        set_watch(n, i);
}

static void step_circuit(struct near_overload *n, size_t i, const struct frame *f)
{
    const struct site_circuit *c = &n->from.site->circuits[i];
    const struct watched *w = &n->circuits[i];
    const float *amps = frame_amps(f) + c->first_pole;
    float most = amps[0];
    for (int p = 1; p < c->poles; p++)
        most = fmaxf(most, amps[p]);
    bool calm = most <= w->calm_amps && f->mono_ms < w->calm_until_ms;
    if (!(most >= 0.0F))
        return;
    follow(n, i, f, (double)most);
    if ((most > w->from_amps && !calm) || w->told)
        judge(n, i, f, (double)most);
}

/* what stood before a restart is judged at any current from the first frame on */
static void start(struct near_overload *n)
{
    n->started = true;
    for (size_t i = 0; i < n->from.site->circuit_count; i++) {
        const struct alarm_subject subject = {n->from.site->circuits[i].panel, (int)i, -1};
        n->circuits[i].told = !alarms_rest(n->alarms, ALARM_NEAR_OVERLOAD, subject);
        set_watch(n, i);
    }
}

void near_overload_step(struct near_overload *n, const struct frame *f)
{
    const float *amps = frame_amps(f);
    int done = -1;
    if (!n->started)
        start(n);
    n->mono_ms = f->mono_ms;
    habits_step(n->habits, f);
    for (size_t pole = 0; pole < f->poles; pole += LANES) {
        /* reads past the poles stay inside the frame (watts follow) */
        lanes_mask none = ~(lanes_load(amps + pole) > lanes_load(n->pole_from + pole));
        if (lanes_all(none))
            continue;
        for (size_t k = pole; k < pole + LANES && k < f->poles; k++) {
            if (none[k - pole] || n->circuit_of[k] == done)
                continue;
            done = n->circuit_of[k];
            step_circuit(n, (size_t)done, f);
        }
    }
}

double near_overload_chance(const struct near_overload *n, int circuit, double amps,
                            double seconds)
{
    return outlook_chance(&n->from, circuit, n->mono_ms, amps, seconds);
}

/* State: a section with the habits, and one a circuit with its warnings and stays. Version 1
 * was the habits alone, which begin with a number below these tags. */
#define SECTION_HABITS 0x100U
#define SECTION_CIRCUIT 0x101U
#define SECTION_JOINS 0x102U

static void put_circuit(const struct near_overload *n, size_t i, struct codec_out *out)
{
    const struct watched *w = &n->circuits[i];
    bool stays = !dwell_empty(&n->dwells[i]);
    if (w->in_vain == 0 && !w->stood && !stays)
        return;
    size_t begun = codec_begin(out, SECTION_CIRCUIT);
    codec_put_string(out, n->from.site->circuits[i].id);
    codec_put_u8(out, w->in_vain);
    codec_put_u8(out, (uint8_t)(w->stood | w->maybe << 1 | w->came << 2));
    codec_put_u8(out, stays);
    if (stays)
        dwell_save(&n->dwells[i], out);
    codec_end(out, begun);
}

/* take: not only looked at */
static bool get_circuit(struct near_overload *n, struct codec_in *in, bool take)
{
    char id[SITE_ID_SIZE];
    struct dwell stays = {0};
    codec_get_string(in, id, sizeof id);
    unsigned in_vain = codec_get_u8(in), flags = codec_get_u8(in), has_stays = codec_get_u8(in);
    if (in->failed || in_vain > MOST_IN_VAIN || flags > 7 || has_stays > 1 ||
        (has_stays && !dwell_load(&stays, in)))
        return false;
    int circuit = take ? site_find_circuit(n->from.site, id) : -1;
    if (circuit < 0)
        return true;
    struct watched *w = &n->circuits[circuit];
    w->in_vain = (uint8_t)in_vain;
    w->stood = flags & 1;
    w->maybe = flags & 2;
    w->came = flags & 4;
    n->dwells[circuit] = stays;
    return true;
}

static void put_joins(const struct near_overload *n, size_t i, struct codec_out *out)
{
    if (joins_empty(&n->joins[i]))
        return;
    size_t begun = codec_begin(out, SECTION_JOINS);
    codec_put_string(out, n->from.site->circuits[i].id);
    joins_save(&n->joins[i], out);
    codec_end(out, begun);
}

static bool get_joins(struct near_overload *n, struct codec_in *in, bool take)
{
    char id[SITE_ID_SIZE];
    struct joins j;
    codec_get_string(in, id, sizeof id);
    if (!joins_load(&j, in))
        return false;
    int circuit = take ? site_find_circuit(n->from.site, id) : -1;
    if (circuit >= 0)
        n->joins[circuit] = j;
    return true;
}

void near_overload_save(const struct near_overload *n, struct codec_out *out)
{
    size_t begun = codec_begin(out, SECTION_HABITS);
    habits_save(n->habits, out);
    codec_end(out, begun);
    for (size_t i = 0; i < n->from.site->circuit_count; i++)
        put_circuit(n, i, out);
    for (size_t i = 0; i < n->from.site->circuit_count; i++)
        put_joins(n, i, out);
}

static bool get_sections(struct near_overload *n, struct codec_in in, bool take)
{
    uint32_t tag;
    struct codec_in section;
    while (codec_next(&in, &tag, &section)) {
        if (tag == SECTION_CIRCUIT && !get_circuit(n, &section, take))
            return false;
        if (tag == SECTION_JOINS && !get_joins(n, &section, take))
            return false;
        if (tag == SECTION_HABITS && take && !habits_load(n->habits, &section))
            return false;
    }
    return !in.failed;
}

bool near_overload_load(struct near_overload *n, struct codec_in *in)
{
    struct codec_in look = *in;
    bool old = codec_get_u32(&look) < SECTION_HABITS;
    if (old ? !habits_load(n->habits, in)
            : !get_sections(n, *in, false) || !get_sections(n, *in, true))
        return false;
    for (size_t i = 0; i < n->from.site->circuit_count; i++)
        set_watch(n, i);
    return true;
}
