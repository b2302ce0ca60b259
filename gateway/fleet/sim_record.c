#include "sim_record.h"

#include "base/clock.h"

#include <stdio.h>

/* the finaliser of MurmurHash3 (in the public domain): every bit of the input moves every bit
 * of the output */
uint32_t sim_hash(uint32_t a, uint32_t b)
{
    uint32_t h = a * 0x9E3779B1U ^ b;
    h = (h ^ (h >> 16)) * 0x85EBCA6BU;
    h = (h ^ (h >> 13)) * 0xC2B2AE35U;
    return h ^ (h >> 16);
}

void sim_circuit(int circuit, char out[24])
{
    snprintf(out, 24, "main-%02d", circuit + 1);
}

static uint32_t hash_id(const char *s)
{
    uint32_t h = 2166136261U; /* FNV-1a */
    for (; *s; s++)
        h = (h ^ (uint8_t)*s) * 16777619U;
    return h;
}

struct told {
    struct text *out;
    const char *site;
    const struct sim_entry *e;
    int64_t seq;
    uint32_t chance;
    char time[CLOCK_RFC3339_SIZE], since[CLOCK_RFC3339_SIZE];
    char circuit[24];
};

static void begin(const struct told *t, const char *type)
{
    text_printf(t->out, "{\"seq\":%lld,\"time\":\"%s\",\"type\":\"%s\",\"site\":\"%s\"",
                (long long)t->seq, t->time, type, t->site);
    if (t->circuit[0])
        text_printf(t->out, ",\"panel\":\"main\",\"circuit\":\"%s\"", t->circuit);
}

static const char *cause_of(uint32_t chance)
{
    uint32_t of_100 = chance % 100;
    return of_100 < 60   ? "overload"
           : of_100 < 80 ? "fault"
           : of_100 < 88 ? "worn_breaker"
                         : "opened_by_hand";
}

static void tell_trip(const struct told *t, const char *stage, const char *cause,
                      double probability)
{
    begin(t, "trip");
    text_printf(
        t->out,
        ",\"trip\":\"%s-%u\",\"stage\":\"%s\",\"probability\":%.4f,\"opened_at\":\"%s\","
        "\"cause\":\"%s\",\"causes\":{\"overload\":%.2f,\"fault\":0.1,\"worn_breaker\":"
        "0.05,\"opened_by_hand\":0.04},\"amps_before\":%.2f,\"heat\":%.3f,\"loads\":[],"
        "\"with\":[]}",
        t->circuit, t->e->story, stage, probability, t->since, cause, probability * 0.8,
        12.0 + (double)(t->chance % 1500) / 100.0, 0.4 + (double)(t->chance % 600) / 1000.0);
}

static void tell_outcome(const struct told *t)
{
    begin(t, "restored");
    text_printf(t->out, ",\"trip\":\"%s-%u\",\"seconds_open\":%lld.0}", t->circuit, t->e->story,
                (long long)(t->e->wall_ms - t->e->since_ms) / 1000);
}

static const char advice[] =
    "Unplug or switch off what was on. Only if nothing is hot, buzzing, smelling, sparking, "
    "damaged or wet, an adult who may do so in this home can move the handle once fully to "
    "OFF, "
    "then to ON, and bring the loads back one at a time. If it opens again, leave it off and "
    "call a licensed electrician. foretrip only advises and is no protective device; local "
    "codes "
    "and a licensed electrician's word come first.";

/* The alarm's id has the kind in it, but for the site's own. */
static void tell_alarm(const struct told *t, const char *kind, const char *priority,
                       const char *state, const char *text, const char *more)
{
    begin(t, "alarm");
    text_printf(t->out,
                ",\"alarm\":\"%s.%s\",\"kind\":\"%s\",\"priority\":\"%s\",\"state\":\"%s\","
                "\"raised_at\":\"%s\",\"text\":\"%s\",\"advice\":\"%s\"%s}",
                t->circuit[0] ? t->circuit : t->site, kind, kind, priority, state, t->since,
                text, advice, more);
}

static void tell_opening(const struct told *t, const char *state)
{
    char text[200];
    bool worn = (t->chance % 100) >= 80 && (t->chance % 100) < 88;
    snprintf(text, sizeof text, "Breaker %s has opened, because %s.", t->circuit,
             worn ? "it opens at less than it must carry" : "too much was on at once");
    tell_alarm(t, worn ? "worn_breaker" : "trip", "high", state, text, "");
}

void sim_record_write(struct text *out, const char *site, int64_t seq,
                      const struct sim_entry *e)
{
    struct told t = {.out = out, .site = site, .e = e, .seq = seq};
    t.chance = sim_hash(hash_id(site), e->story);
    clock_format_rfc3339(e->wall_ms, t.time);
    clock_format_rfc3339(e->since_ms, t.since);
    bool dark = e->what >= SIM_DARK_ALARM;
    if (e->what == SIM_DARK_TRIP || e->what == SIM_LIGHT_RESTORED)
        sim_circuit((int)(e->story % SIM_DARK_CIRCUITS), t.circuit);
    else if (!dark)
        sim_circuit((int)(t.chance >> 8) % SIM_CIRCUITS, t.circuit);
    switch (e->what) {
    case SIM_WARNED:
        tell_alarm(&t, "near_overload", "low", "unacknowledged",
                   "This breaker is likely to open within a quarter of an hour.",
                   ",\"amps\":18.2,\"trip_chance\":0.5");
        break;
    case SIM_PROVISIONAL: tell_trip(&t, "provisional", cause_of(t.chance), 0.71); break;
    case SIM_CONFIRMED: tell_trip(&t, "confirmed", cause_of(t.chance), 0.95); break;
    case SIM_WARNING_OVER:
        tell_alarm(&t, "near_overload", "low", "normal", "It has opened.", "");
        break;
    case SIM_RAISED: tell_opening(&t, "unacknowledged"); break;
    case SIM_ACKNOWLEDGED: tell_opening(&t, "acknowledged"); break;
    case SIM_RESTORED: tell_outcome(&t); break;
    case SIM_OVER: tell_opening(&t, "normal"); break;
    case SIM_HAZARD:
        tell_alarm(&t, "open_neutral", "urgent", "unacknowledged",
                   "The neutral of this house seems to be open: a hazard.", "");
        break;
    case SIM_SILENT:
        tell_alarm(&t, "essential_load_silent", "high", "unacknowledged",
                   "The freezer has not run for six hours.", "");
        break;
    case SIM_WORN:
        tell_alarm(&t, "worn_breaker", "high", "unacknowledged",
                   "This breaker opens at less than it must carry: replace it.", "");
        break;
    case SIM_DARK_ALARM:
        tell_alarm(&t, "trip", "high", "unacknowledged",
                   "The house has lost its supply: 6 circuits went dark in the same moment.",
                   "");
        break;
    case SIM_DARK_TRIP: tell_trip(&t, "confirmed", "supply_outage", 0.98); break;
    case SIM_LIGHT_RESTORED: tell_outcome(&t); break;
    case SIM_LIGHT_ALARM:
        tell_alarm(&t, "trip", "high", "returned_unacknowledged",
                   "The house had lost its supply: 6 circuits went dark in the same moment.",
                   "");
        break;
    }
}
