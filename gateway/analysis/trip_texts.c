#include "trip_texts.h"

#include "loads.h"

#include <math.h>
#include <string.h>

#define NO_DEVICE                                                                              \
    " foretrip only advises and is no protective device; local codes and a licensed "          \
    "electrician's word come first."
#define TROUBLE "hot, buzzing, smelling, sparking, damaged or wet"
#define SMOKE " Smoke, fire or a burning smell: leave and call the emergency number."

static const char *const advice_of[CAUSE_COUNT] = {
    [CAUSE_OVERLOAD] = "Unplug or switch off what was on. Only if nothing is " TROUBLE
                       ", an adult who may do so in this home can move the handle once fully "
                       "to OFF, then to ON, and "
                       "bring the loads back one at a time, but not all of them together. If "
                       "it opens again, leave it off and call a licensed "
                       "electrician." SMOKE NO_DEVICE,
    [CAUSE_FAULT] =
        "Do not reset it. Unplug what was switched on last, keep away from anything " TROUBLE
        ", and call a licensed electrician." SMOKE NO_DEVICE,
    [CAUSE_WORN_BREAKER] = "Leave it off and call a licensed electrician to check the breaker "
                           "and replace it. Never hold a "
                           "breaker on and never put in a larger one. Keep away from "
                           "anything " TROUBLE "." SMOKE NO_DEVICE,
    [CAUSE_OPENED_BY_HAND] =
        "Somebody may be working on this circuit: nobody moves the handle before it is known "
        "who switched it off, and why, and that person agrees. A lock or a tag on it stays "
        "where it is." NO_DEVICE,
    [CAUSE_UPSTREAM_OPEN] =
        "Do not reset it: a feeder that opens is a matter for a licensed electrician. Switch "
        "off, at the appliances, the larger loads that it feeds, but no medical equipment. "
        "Keep away from anything " TROUBLE "." SMOKE NO_DEVICE,
    [CAUSE_SUPPLY_OUTAGE] =
        "There is nothing to do at the panel. Turn off stoves, irons and heaters so that they "
        "do not all "
        "start together, keep freezer doors shut, use the backup of medical equipment, and ask "
        "the utility." NO_DEVICE,
    [CAUSE_SENSOR_LOST] = "",
    [CAUSE_LOAD_ENDED] = "",
};

static bool unknown(const struct event_load *load)
{
    return load->appliance[0] == '\0' || strcmp(load->appliance, LOADS_UNKNOWN) == 0;
}

void trip_texts_time(double seconds, struct text *out)
{
    if (seconds < 90.0)
        text_printf(out, "%.0f %s", seconds, round(seconds) == 1.0 ? "second" : "seconds");
    else if (seconds < 5400.0)
        text_printf(out, "%.0f minutes", round(seconds / 60.0));
    else
        text_printf(out, "%.0f hours", round(seconds / 3600.0));
}

void trip_texts_appliance(const struct event_load *load, struct text *out)
{
    if (unknown(load)) {
        text_append(out, "a load");
        return;
    }
    for (const char *p = load->appliance; *p; p++)
        text_append_bytes(out, *p == '_' ? " " : p, 1);
}

void trip_texts_loads(const struct event_load *loads, size_t count, size_t most,
                      struct text *out)
{
    size_t said = 0;
    for (size_t i = 0; i < count && said < most; i++) {
        bool standing = strcmp(loads[i].appliance, LOADS_STANDING) == 0;
        if (loads[i].amps < 0.2 && said > 0)
            break;
        if (standing && count > 1)
            continue; /* nothing that somebody has switched on */
        if (said > 0)
            text_append(out, ", ");
        if (!standing)
            trip_texts_appliance(&loads[i], out);
        text_printf(out, "%s%.1f A",
                    standing             ? ""
                    : unknown(&loads[i]) ? " of "
                                         : " ",
                    loads[i].amps);
        said++;
    }
}

enum trip_cause trip_texts_told_as(const struct site *s, int circuit, enum trip_cause cause)
{
    bool feeder = s->circuits[circuit].feeds_panel >= 0;
    return feeder && cause != CAUSE_OPENED_BY_HAND ? CAUSE_UPSTREAM_OPEN : cause;
}

_Static_assert(FIGURE_OVERLOAD + CAUSE_COUNT == (int)FIGURE_WHATS, "a figure for each cause");

static void say_why(const struct site *s, const struct trip_story *y, struct text *text)
{
    const struct site_circuit *c = &s->circuits[y->circuit];
    const char *perhaps = y->cause_probability < 0.8 ? "probably " : "";
    bool loads = y->loads[0] != '\0';
    switch (y->cause) {
    case CAUSE_OVERLOAD:
        text_printf(text, " has opened, %sbecause too much was on at once%s%s%s.", perhaps,
                    loads ? " (" : "", y->loads, loads ? ")" : "");
        return;
    case CAUSE_FAULT:
        text_printf(text,
                    " has opened in an instant, %sbecause of a short circuit or a faulty "
                    "appliance%s%s%s.",
                    perhaps, loads ? " (on: " : "", y->loads, loads ? ")" : "");
        return;
    case CAUSE_WORN_BREAKER:
        text_printf(
            text, " has opened at %.1f A, which a sound %.0f A breaker carries: it is %sworn.",
            y->amps_before, c->breaker_amps, perhaps);
        return;
    case CAUSE_OPENED_BY_HAND:
        text_printf(text, " is off, %sswitched off by hand.", perhaps);
        return;
    case CAUSE_UPSTREAM_OPEN: text_append(text, " has opened."); return;
    case CAUSE_SUPPLY_OUTAGE:
    case CAUSE_SENSOR_LOST:
    case CAUSE_LOAD_ENDED: text_append(text, " has no supply."); return;
    }
}

static void say_with(const struct trip_story *y, struct text *text)
{
    if (y->went_with_count > 0)
        text_printf(text, " It took %zu %s with it: %s.", y->went_with_count,
                    y->went_with_count == 1 ? "circuit" : "circuits", y->went_with);
}

void trip_texts_trip(const struct site *s, const struct trip_story *y, struct text *text,
                     struct text *advice, struct figures *figures)
{
    char where[256];
    site_describe_circuit(s, y->circuit, where, sizeof where);
    where[0] = 'B'; /* begins the sentence */
    text_append(text, where);
    say_why(s, y, text);
    say_with(y, text);
    text_append(advice, advice_of[trip_texts_told_as(s, y->circuit, y->cause)]);
    figures_add(figures, FIGURE_CARRIED_BEFORE, y->amps_before);
    figures_add(figures, FIGURE_BREAKER, s->circuits[y->circuit].breaker_amps);
    figures_add(figures, FIGURE_HEAT, 100.0 * y->heat);
    figures_add(figures, FIGURE_LOST_ITS_SUPPLY, 100.0 * y->probability);
    figures_add(figures, (enum figure_what)(FIGURE_OVERLOAD + (int)y->cause),
                100.0 * y->cause_probability);
}

void trip_texts_outage(const struct site *s, size_t circuits, struct text *text,
                       struct text *advice)
{
    text_printf(text, "%s has lost its supply: %zu %s went dark in the same moment.", s->name,
                circuits, circuits == 1 ? "circuit" : "circuits");
    text_append(advice, advice_of[CAUSE_SUPPLY_OUTAGE]);
}

void trip_texts_again(const struct site *s, int circuit, double seconds_held, struct text *text,
                      struct text *advice)
{
    char where[256];
    site_describe_circuit(s, circuit, where, sizeof where);
    where[0] = 'B';
    text_printf(text, "%s opened again ", where);
    if (seconds_held >= 1.0) {
        trip_texts_time(seconds_held, text);
        text_append(text, " after it was reset");
    } else {
        text_append(text, "as soon as it was reset");
    }
    text_append(text, ": stop resetting it and leave it off.");
    text_append(advice, "Do not reset it again: one failed reset is enough. Unplug what is on "
                        "this circuit, keep "
                        "away from anything " TROUBLE
                        ", and call a licensed electrician." SMOKE NO_DEVICE);
}

void trip_texts_worn(const struct site *s, int circuit, double worn, double amps_before,
                     struct text *text, struct text *advice, struct figures *figures)
{
    char where[256];
    site_describe_circuit(s, circuit, where, sizeof where);
    where[0] = 'B';
    text_printf(
        text, "%s opens at less than it should carry: have a licensed electrician replace it.",
        where);
    text_append(advice,
                "If it has opened, leave it off. Have a licensed electrician check the breaker "
                "and replace it. Never hold a breaker on and never put in a larger one. Keep "
                "away from anything " TROUBLE "." SMOKE " When another one is in its place, "
                "record that on the gateway's page: what was learned of this one is then "
                "forgotten." NO_DEVICE);
    figures_add(figures, FIGURE_CARRIED_BEFORE, amps_before);
    figures_add(figures, FIGURE_BREAKER, s->circuits[circuit].breaker_amps);
    figures_add(figures, FIGURE_WORN_BREAKER, 100.0 * worn);
}
