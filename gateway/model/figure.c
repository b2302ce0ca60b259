#include "figure.h"

#include "base/text.h"

#include <math.h>
#include <string.h>

struct row {
    const char *name, *unit;
    enum figure_form form;
    int digits;
};

#define AMPS(digits) "A", FIGURE_NUMBER, digits
#define VOLTS "V", FIGURE_NUMBER, 1
#define OHMS "ohm", FIGURE_NUMBER, 2
#define PERCENT "%", FIGURE_NUMBER, 0
#define SECONDS "s", FIGURE_NUMBER, 0
#define MINUTES "min", FIGURE_NUMBER, 0
#define COUNT "", FIGURE_COUNT, 0
#define TEXT "", FIGURE_TEXT, 0
#define BARE "", FIGURE_BARE, 0

static const struct row rows[FIGURE_WHATS] = {
    [FIGURE_LOAD] = {"load", AMPS(2)},
    [FIGURE_CARRIED_BEFORE] = {"carried_before", AMPS(2)},
    [FIGURE_BREAKER] = {"breaker", AMPS(0)},
    [FIGURE_HEAT] = {"heat", PERCENT},
    [FIGURE_CHANCE_OF_OPENING] = {"chance_of_opening", PERCENT},
    [FIGURE_WITHIN] = {"within", MINUTES},
    [FIGURE_OPENS_SOONEST] = {"opens_soonest_after", SECONDS},
    [FIGURE_OPENS_MOST_LIKELY] = {"opens_most_likely_after", SECONDS},
    [FIGURE_OPENS_LATEST] = {"opens_latest_after", SECONDS},
    [FIGURE_ROOM_NOW] = {"room_now", AMPS(1)},
    [FIGURE_ROOM_FOR_3_HOURS] = {"room_for_3_hours", AMPS(1)},
    [FIGURE_USUAL_LOAD] = {"usual_load", AMPS(1)},
    [FIGURE_CHANCE_WITH_IT] = {"chance_within_a_minute_with_it", PERCENT},
    [FIGURE_LOST_ITS_SUPPLY] = {"lost_its_supply", PERCENT},
    [FIGURE_HELD_FOR] = {"held_for", SECONDS},
    [FIGURE_LIMIT] = {"limit", AMPS(1)},
    [FIGURE_LIMIT_SHARE] = {"limit_as_a_share_of_the_rating", PERCENT},
    [FIGURE_LONGER_THAN_ALLOWED] = {"longer_than_its_standard_allows", SECONDS},
    [FIGURE_OWN_SENSOR] = {"its_own_transformer", AMPS(2)},
    [FIGURE_SUM_OF_BRANCHES] = {"sum_of_the_branches_on_that_leg", AMPS(2)},
    [FIGURE_LEG_A] = {"leg_a", AMPS(1)},
    [FIGURE_LEG_B] = {"leg_b", AMPS(1)},
    [FIGURE_LEG_C] = {"leg_c", AMPS(1)},
    [FIGURE_LEG_A_VOLTAGE] = {"voltage_of_leg_a", VOLTS},
    [FIGURE_LEG_B_VOLTAGE] = {"voltage_of_leg_b", VOLTS},
    [FIGURE_BOTH_LEGS] = {"both_together", VOLTS},
    [FIGURE_LOWEST] = {"lowest", VOLTS},
    [FIGURE_HIGHEST] = {"highest", VOLTS},
    [FIGURE_ALLOWED_FROM] = {"allowed_from", VOLTS},
    [FIGURE_ALLOWED_TO] = {"allowed_to", VOLTS},
    [FIGURE_NEUTRAL_RESISTANCE] = {"neutral_by_load_steps", OHMS},
    [FIGURE_UNCERTAIN_BY] = {"uncertain_by", OHMS},
    [FIGURE_LINE_RESISTANCE] = {"line_by_load_steps", OHMS},
    [FIGURE_NEUTRAL_CURRENT] = {"computed_current_in_the_neutral", AMPS(1)},
    [FIGURE_NEUTRAL_UP_TO] = {"a_neutral_that_no_breaker_protects_carries_up_to", AMPS(0)},
    [FIGURE_ONE_LEG] = {"leg", TEXT},
    [FIGURE_OTHER_LEG] = {"leg_of_the_other", TEXT},
    [FIGURE_APPLIANCE] = {"appliance", TEXT},
    [FIGURE_CORD_AND_PLUG] = {"cord_and_plug", BARE},
    [FIGURE_FASTENED_IN_PLACE] = {"fastened_in_place", BARE},
    [FIGURE_RULE] = {"rule", TEXT},
    [FIGURE_SILENT_FOR] = {"silent_for", MINUTES},
    [FIGURE_LONGEST_PAUSE] = {"longest_pause_before", MINUTES},
    [FIGURE_RUNS_KNOWN] = {"runs_known", COUNT},
    [FIGURE_NOT_KNOWN_TO_BE_OPEN] = {"breaker_not_known_to_be_open", BARE},
    [FIGURE_NO_READING_FOR] = {"no_reading_for", SECONDS},
    [FIGURE_BUS] = {"bus", TEXT},
    [FIGURE_UNIT_NUMBER] = {"unit", COUNT},
    [FIGURE_RECORDS_WAITING] = {"records_waiting_in_memory", COUNT},
    [FIGURE_RECORDS_LOST] = {"records_lost", COUNT},
    [FIGURE_READINGS_LOST] = {"frames_of_readings_lost", COUNT},
    [FIGURE_DAYS_GIVEN_UP] = {"days_of_readings_given_up", COUNT},
    [FIGURE_REASON] = {"reason", TEXT},
    [FIGURE_OVERLOAD] = {"overload", PERCENT},
    [FIGURE_FAULT] = {"fault", PERCENT},
    [FIGURE_WORN_BREAKER] = {"worn_breaker", PERCENT},
    [FIGURE_OPENED_BY_HAND] = {"opened_by_hand", PERCENT},
    [FIGURE_UPSTREAM_OPEN] = {"upstream_open", PERCENT},
    [FIGURE_SUPPLY_OUTAGE] = {"supply_outage", PERCENT},
    [FIGURE_SENSOR_LOST] = {"sensor_lost", PERCENT},
    [FIGURE_LOAD_ENDED] = {"load_ended", PERCENT},
};

const char *figure_name(enum figure_what what)
{
    return rows[what].name;
}

bool figure_find(const char *name, enum figure_what *out)
{
    for (int i = 0; i < FIGURE_WHATS; i++)
        if (strcmp(rows[i].name, name) == 0) {
            *out = (enum figure_what)i;
            return true;
        }
    return false;
}

enum figure_form figure_form(enum figure_what what)
{
    return rows[what].form;
}

const char *figure_unit(enum figure_what what)
{
    return rows[what].unit;
}

int figure_digits(enum figure_what what)
{
    return rows[what].digits;
}

void figures_clear(struct figures *f)
{
    f->count = f->length = 0;
}

/* the first byte of the words is taken for "it has none" */
static unsigned add_word(struct figures *f, const char *text)
{
    size_t at = f->length ? f->length : 1;
    if (!text[0] || at >= sizeof f->words)
        return 0;
    size_t room = sizeof f->words - at;
    text_copy(f->words + at, room < FIGURE_TEXT_SIZE ? room : FIGURE_TEXT_SIZE, text);
    f->length = at + strlen(f->words + at) + 1;
    return (unsigned)at;
}

const char *figures_text(const struct figures *f, size_t i)
{
    return f->list[i].word ? f->words + f->list[i].word : "";
}

static void add(struct figures *f, enum figure_what what, double value, const char *text)
{
    if (f->count == FIGURES_MOST)
        return;
    struct figure *one = &f->list[f->count++];
    *one = (struct figure){.what = what, .value = value, .word = add_word(f, text)};
}

void figures_add(struct figures *f, enum figure_what what, double value)
{
    if (isfinite(value))
        add(f, what, value, "");
}

void figures_add_text(struct figures *f, enum figure_what what, const char *text)
{
    add(f, what, 0.0, text);
}

double figures_get(const struct figures *f, enum figure_what what)
{
    for (size_t i = 0; i < f->count; i++)
        if (f->list[i].what == what)
            return f->list[i].value;
    return (double)NAN;
}

json_t *figures_to_json(const struct figures *f)
{
    json_t *list = json_array();
    for (size_t i = 0; i < f->count; i++) {
        const struct figure *one = &f->list[i];
        const struct row *r = &rows[one->what];
        double scale = pow(10.0, r->digits);
        json_t *o = json_pack("{s:s}", "what", r->name);
        if (r->form == FIGURE_NUMBER || r->form == FIGURE_COUNT)
            json_object_set_new(o, "value", json_real(round(one->value * scale) / scale));
        if (r->form == FIGURE_NUMBER)
            json_object_set_new(o, "unit", json_string(r->unit));
        if (r->form == FIGURE_TEXT)
            json_object_set_new(o, "text", json_string(figures_text(f, i)));
        json_array_append_new(list, o);
    }
    return list;
}

void figures_from_json(const json_t *list, struct figures *out)
{
    size_t i;
    json_t *o;
    figures_clear(out);
    json_array_foreach(list, i, o)
    {
        const char *name = json_string_value(json_object_get(o, "what"));
        const char *text = json_string_value(json_object_get(o, "text"));
        const json_t *value = json_object_get(o, "value");
        enum figure_what what;
        if (name && figure_find(name, &what))
            add(out, what, json_is_number(value) ? json_number_value(value) : 0.0,
                text ? text : "");
    }
}

void figures_save(const struct figures *f, struct codec_out *out)
{
    codec_put_u32(out, (uint32_t)f->count);
    for (size_t i = 0; i < f->count; i++) {
        codec_put_string(out, rows[f->list[i].what].name);
        codec_put_f64(out, f->list[i].value);
        codec_put_string(out, figures_text(f, i));
    }
}

bool figures_load(struct figures *f, struct codec_in *in)
{
    uint32_t count = codec_get_u32(in);
    figures_clear(f);
    for (uint32_t i = 0; i < count && !in->failed; i++) {
        char name[FIGURE_TEXT_SIZE], text[FIGURE_TEXT_SIZE];
        enum figure_what what;
        codec_get_string(in, name, sizeof name);
        double value = codec_get_f64(in);
        codec_get_string(in, text, sizeof text);
        if (!in->failed && figure_find(name, &what))
            add(f, what, value, text);
    }
    return !in->failed;
}
