#include "house_file.h"

#include <libconfig.h>
#include <stdlib.h>
#include <string.h>

#define MAX_BYTES ((size_t)1024 * 1024)

struct reader {
    const char *name;
    const struct site *site;
    struct text *faults;
    bool failed;
};

static void fault(struct reader *r, const config_setting_t *s, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

static void fault(struct reader *r, const config_setting_t *s, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    text_printf(r->faults, "%s:%u: ", r->name, config_setting_source_line(s));
    text_vprintf(r->faults, format, args);
    text_append(r->faults, "\n");
    va_end(args);
    r->failed = true;
}

/* ---- a group by its table ---- */

enum kind { NUMBER, TEXT, FLAG, RANGE, HOURS, POLE, ID, CIRCUIT, LOAD, ACT, CONDITION };

struct key {
    const char *name;
    enum kind kind;
    size_t offset;
    double least, most; /* of a number, or of both ends of a range */
    double unit;        /* a range is multiplied by it */
};

#define H(member) offsetof(struct house_spec, member)
static const struct key house_keys[] = {
    {"seed", NUMBER, H(seed), 0, 9e15, 1},
    {"ambient_celsius", NUMBER, H(ambient_celsius), -40, 70, 1},
    {"ambient_swing", NUMBER, H(ambient_swing), 0, 30, 1},
    {"supply_percent", NUMBER, H(supply_percent), 50, 150, 1},
    {"source_ohms", NUMBER, H(source_ohms), 0.0001, 2, 1},
    {"neutral_ohms", NUMBER, H(neutral_ohms), 0.0001, 10000, 1},
    {"feeder_ohms", NUMBER, H(feeder_ohms), 0, 2, 1},
    {"reset_seconds", RANGE, H(reset), 0, 1e6, 1},
    {"unplug_chance", NUMBER, H(unplug_chance), 0, 1, 1},
    {"outages_per_day", NUMBER, H(outages_per_day), 0, 1000, 1},
    {"hands_per_day", NUMBER, H(hands_per_day), 0, 1000, 1},
    {"warm_up_minutes", NUMBER, H(warm_up_seconds), 0, 1440, 60},
    {"script_again_seconds", NUMBER, H(script_again), 0, 1e7, 1},
    {0},
};

#define L(member) offsetof(struct house_load_spec, member)
static const struct key load_keys[] = {
    {"id", ID, L(id), 0, 0, 0},
    {"name", TEXT, L(name), 0, 0, 0},
    {"circuit", CIRCUIT, L(circuit), 0, 0, 0},
    {"pole", POLE, L(pole), 1, SITE_MAX_POLES, 1},
    {"watts", NUMBER, L(watts), 0, 1e6, 1},
    {"power_factor", NUMBER, L(power_factor), 0.05, 1, 1},
    {"volts_exponent", NUMBER, L(volts_exponent), -2, 4, 1},
    {"inrush", NUMBER, L(inrush), 1, 50, 1},
    {"inrush_seconds", NUMBER, L(inrush_seconds), 0.001, 60, 1},
    {"spread", NUMBER, L(spread), 0, 0.5, 1},
    {"noise", NUMBER, L(noise), 0, 0.5, 1},
    {"always", FLAG, L(always), 0, 0, 0},
    {"attended", FLAG, L(attended), 0, 0, 0},
    {"starts_per_day", NUMBER, L(starts_per_day), 0, 1e5, 1},
    {"hours", HOURS, L(hours), 0, 23, 1},
    {"run_minutes", RANGE, L(run), 0.01, 1e5, 60},
    {"cycle_on_seconds", RANGE, L(cycle_on), 0.1, 1e6, 1},
    {"cycle_off_seconds", RANGE, L(cycle_off), 0.1, 1e6, 1},
    {"work_low_seconds", RANGE, L(work_low), 0.1, 1e6, 1},
    {"work_high_seconds", RANGE, L(work_high), 0.1, 1e6, 1},
    {"work_share", NUMBER, L(work_share), 0, 1, 1},
    {"fault_chance", NUMBER, L(fault_chance), 0, 1, 1},
    {"with", LOAD, L(with), 0, 0, 0},
    {"runs_on_seconds", NUMBER, L(runs_on_seconds), 0, 1e4, 1},
    {0},
};

#define B(member) offsetof(struct house_breaker_spec, member)
static const struct key breaker_keys[] = {
    {"circuit", CIRCUIT, B(circuit), 0, 0, 0},
    {"condition", CONDITION, B(condition), 0, 0, 0},
    {0},
};

#define S(member) offsetof(struct house_script, member)
static const struct key script_keys[] = {
    {"at", NUMBER, S(at), 0, 1e8, 1},           {"act", ACT, S(act), 0, 0, 0},
    {"load", LOAD, S(load), 0, 0, 0},           {"circuit", CIRCUIT, S(circuit), 0, 0, 0},
    {"seconds", NUMBER, S(seconds), 0, 1e7, 1}, {0},
};

static bool number_of(const config_setting_t *s, double *out)
{
    if (!s || !config_setting_is_number(s))
        return false;
    *out = config_setting_type(s) == CONFIG_TYPE_FLOAT ? config_setting_get_float(s)
                                                       : (double)config_setting_get_int64(s);
    return true;
}

static void read_number(struct reader *r, const config_setting_t *s, const struct key *k,
                        void *at)
{
    double v;
    if (!number_of(s, &v) || !(v >= k->least && v <= k->most)) {
        fault(r, s, "%s must be a number from %g to %g", k->name, k->least, k->most);
        return;
    }
    if (k->kind == POLE)
        *(int *)at = (int)v - 1;
    else
        *(double *)at = v * k->unit;
}

static void read_range(struct reader *r, const config_setting_t *s, const struct key *k,
                       void *at)
{
    double a = 0, b = 0;
    if (!config_setting_is_aggregate(s) || config_setting_length(s) != 2 ||
        !number_of(config_setting_get_elem(s, 0), &a) ||
        !number_of(config_setting_get_elem(s, 1), &b) ||
        !(a >= k->least && b <= k->most && a <= b)) {
        fault(r, s, "%s must be two numbers [ least, most ] within %g and %g", k->name,
              k->least, k->most);
        return;
    }
    *(struct house_range *)at = (struct house_range){a * k->unit, b * k->unit};
}

static void read_hours(struct reader *r, const config_setting_t *s, const struct key *k,
                       void *at)
{
    uint32_t hours = 0;
    for (int i = 0; config_setting_is_aggregate(s) && i < config_setting_length(s); i++) {
        double v;
        if (!number_of(config_setting_get_elem(s, (unsigned)i), &v) || !(v >= 0 && v <= 23)) {
            fault(r, s, "%s are whole hours from 0 to 23", k->name);
            return;
        }
        hours |= 1U << (unsigned)v;
    }
    if (hours == 0)
        fault(r, s, "%s must be a list of hours of the day, as in [ 6, 7, 21 ]", k->name);
    *(uint32_t *)at = hours;
}

static void read_word(struct reader *r, const config_setting_t *s, const struct key *k,
                      void *at, const char *const *words, size_t count)
{
    const char *v = config_setting_get_string(s);
    struct text all = TEXT_INIT;
    for (size_t i = 0; i < count; i++) {
        if (v && strcmp(v, words[i]) == 0) {
            *(unsigned *)at = (unsigned)i; /* the enums count from 0 in the words' order */
            text_free(&all);
            return;
        }
        text_printf(&all, "%s\"%s\"", i ? ", " : "", words[i]);
    }
    fault(r, s, "%s must be one of %s", k->name, text_get(&all));
    text_free(&all);
}

static int find_load(const struct house_spec *spec, const char *id)
{
    for (size_t i = 0; id && i < spec->load_count; i++)
        if (strcmp(spec->loads[i].id, id) == 0)
            return (int)i;
    return -1;
}

static void read_id(struct reader *r, const config_setting_t *s, const struct key *k, char *at)
{
    const char *v = config_setting_get_string(s);
    if (!v || !site_id_valid(v))
        fault(r, s, "%s must be 1 to %d letters, digits, \"-\" or \"_\"", k->name,
              SITE_ID_SIZE - 1);
    else
        text_copy(at, SITE_ID_SIZE, v);
}

static void read_act(struct reader *r, const config_setting_t *s, const struct key *k, void *at)
{
    const char *acts[HOUSE_ACTS];
    for (int a = 0; a < HOUSE_ACTS; a++)
        acts[a] = house_act_name((enum house_act)a);
    read_word(r, s, k, at, acts, HOUSE_ACTS);
}

static void read_key(struct reader *r, const struct house_spec *spec, const config_setting_t *s,
                     const struct key *k, void *at)
{
    static const char *const conditions[] = {"sound", "worn", "stuck"};
    const char *v = config_setting_get_string(s);
    switch (k->kind) {
    case NUMBER:
    case POLE: read_number(r, s, k, at); return;
    case RANGE: read_range(r, s, k, at); return;
    case HOURS: read_hours(r, s, k, at); return;
    case ID: read_id(r, s, k, at); return;
    case ACT: read_act(r, s, k, at); return;
    case CONDITION: read_word(r, s, k, at, conditions, 3); return;
    case FLAG:
        if (config_setting_type(s) != CONFIG_TYPE_BOOL)
            fault(r, s, "%s must be true or false", k->name);
        *(bool *)at = config_setting_get_bool(s);
        return;
    case TEXT:
        if (!v || !*v || !text_copy(at, SITE_NAME_SIZE, v))
            fault(r, s, "%s must be a text of 1 to %d bytes", k->name, SITE_NAME_SIZE - 1);
        return;
    case CIRCUIT:
        *(int *)at = v ? site_find_circuit(r->site, v) : -1;
        if (*(int *)at < 0)
            fault(r, s, "site.cfg has no circuit \"%s\"", v ? v : "");
        return;
    case LOAD:
        *(int *)at = find_load(spec, v);
        if (*(int *)at < 0)
            fault(r, s, "no load \"%s\" above this line", v ? v : "");
        return;
    }
}

static void read_group(struct reader *r, const struct house_spec *spec,
                       const config_setting_t *g, const struct key *keys, void *object)
{
    if (!config_setting_is_group(g)) {
        fault(r, g, "must be a group in braces");
        return;
    }
    for (int i = 0; i < config_setting_length(g); i++) {
        const config_setting_t *s = config_setting_get_elem(g, (unsigned)i);
        const char *name = config_setting_name(s), *near = NULL;
        const struct key *k = keys;
        for (; k->name && strcmp(k->name, name) != 0; k++)
            if (!near || text_distance(k->name, name) < text_distance(near, name))
                near = k->name;
        if (k->name)
            read_key(r, spec, s, k, (char *)object + k->offset);
        else
            fault(r, s, "unknown key \"%s\"; the nearest known one is \"%s\"", name, near);
    }
}

/* ---- the file ---- */

struct house_spec house_spec_defaults(void)
{
    return (struct house_spec){
        .seed = 1,
        .ambient_celsius = 20.0,
        .ambient_swing = 3.0,
        .supply_percent = 101.5,
        .source_ohms = 0.03,
        .neutral_ohms = 0.03,
        .feeder_ohms = 0.03,
        .reset = {120.0, 900.0},
        .unplug_chance = 0.8,
        .warm_up_seconds = 3600.0,
    };
}

struct house_load_spec house_load_defaults(void)
{
    return (struct house_load_spec){
        .circuit = -1,
        .pole = HOUSE_ALL_POLES,
        .power_factor = 1.0,
        .volts_exponent = 1.0,
        .inrush = 1.0,
        .inrush_seconds = 0.3,
        .spread = 0.02,
        .noise = 0.003,
        .hours = 0xFFFFFF,
        .run = {300.0, 1200.0},
        .work_share = 0.4,
        .with = -1,
    };
}

static void check_load(struct reader *r, const config_setting_t *g, struct house_spec *spec,
                       size_t i)
{
    struct house_load_spec *l = &spec->loads[i];
    if (!l->id[0] || l->circuit < 0 || !(l->watts > 0.0)) {
        if (!r->failed)
            fault(r, g, "a load needs an id, a circuit and watts");
        return;
    }
    if (!l->name[0])
        text_copy(l->name, sizeof l->name, l->id);
    if (find_load(spec, l->id) != (int)i)
        fault(r, g, "load \"%s\" is there twice", l->id);
    if (l->pole >= r->site->circuits[l->circuit].poles)
        fault(r, g, "circuit \"%s\" has no pole %d", r->site->circuits[l->circuit].id,
              l->pole + 1);
    if ((l->cycle_on.most > 0.0) != (l->cycle_off.most > 0.0))
        fault(r, g, "cycle_on_seconds and cycle_off_seconds go together");
    if ((l->work_low.most > 0.0) != (l->work_high.most > 0.0))
        fault(r, g, "work_low_seconds and work_high_seconds go together");
}

/* the elements of a list, at most `most`; a list that is not there has none */
static size_t list_length(struct reader *r, const config_setting_t *list, size_t most)
{
    if (!list)
        return 0;
    if (!config_setting_is_list(list)) {
        fault(r, list, "%s must be a list of groups in parentheses", config_setting_name(list));
        return 0;
    }
    size_t n = (size_t)config_setting_length(list);
    if (n > most) {
        fault(r, list, "at most %zu of them", most);
        return 0;
    }
    return n;
}

static void check_script(struct reader *r, const config_setting_t *g,
                         const struct house_spec *spec, size_t i)
{
    const struct house_script *s = &spec->script[i];
    enum house_needs needs = house_act_needs(s->act);
    if (r->failed)
        return;
    if (needs == HOUSE_NEEDS_LOAD && s->load < 0)
        fault(r, g, "this act needs a load");
    if (needs == HOUSE_NEEDS_CIRCUIT && s->circuit < 0)
        fault(r, g, "this act needs a circuit");
    if (i > 0 && s->at < spec->script[i - 1].at)
        fault(r, g, "the script must be in order of time");
}

static void read_lists(struct reader *r, const config_t *c, struct house_spec *spec)
{
    const config_setting_t *loads = config_lookup(c, "loads");
    const config_setting_t *breakers = config_lookup(c, "breakers");
    const config_setting_t *script = config_lookup(c, "script");
    size_t n = list_length(r, loads, HOUSE_MAX_LOADS);
    spec->loads = calloc(n + 1, sizeof *spec->loads);
    for (size_t i = 0; spec->loads && i < n; i++) {
        const config_setting_t *g = config_setting_get_elem(loads, (unsigned)i);
        spec->loads[i] = house_load_defaults();
        read_group(r, spec, g, load_keys, &spec->loads[i]);
        spec->load_count = i + 1;
        check_load(r, g, spec, i);
    }
    n = list_length(r, breakers, SITE_MAX_CIRCUITS);
    spec->breakers = calloc(n + 1, sizeof *spec->breakers);
    for (size_t i = 0; spec->breakers && i < n; i++, spec->breaker_count = i)
        read_group(r, spec, config_setting_get_elem(breakers, (unsigned)i), breaker_keys,
                   &spec->breakers[i]);
    n = list_length(r, script, HOUSE_MAX_SCRIPT);
    spec->script = calloc(n + 1, sizeof *spec->script);
    for (size_t i = 0; spec->script && i < n; i++, spec->script_count = i) {
        const config_setting_t *g = config_setting_get_elem(script, (unsigned)i);
        spec->script[i] = (struct house_script){.load = -1, .circuit = -1};
        read_group(r, spec, g, script_keys, &spec->script[i]);
        check_script(r, g, spec, i);
    }
    if (!spec->loads || !spec->breakers || !spec->script) {
        text_append(r->faults, "memory is short\n");
        r->failed = true;
    }
}

static void read_tree(struct reader *r, const config_t *c, struct house_spec *spec)
{
    static const char *const parts[] = {"house", "loads", "breakers", "script"};
    const config_setting_t *root = config_root_setting(c);
    for (int i = 0; i < config_setting_length(root); i++) {
        const config_setting_t *s = config_setting_get_elem(root, (unsigned)i);
        size_t k = 0;
        while (k < 4 && strcmp(parts[k], config_setting_name(s)) != 0)
            k++;
        if (k == 4)
            fault(r, s, "unknown part \"%s\"; there are house, loads, breakers and script",
                  config_setting_name(s));
    }
    const config_setting_t *house = config_lookup(c, "house");
    if (house)
        read_group(r, spec, house, house_keys, spec);
    read_lists(r, c, spec);
}

bool house_file_parse(struct house_spec *out, const char *name, const char *content,
                      const struct site *site, struct text *faults)
{
    struct reader r = {name, site, faults, false};
    struct house_spec spec = house_spec_defaults();
    config_t c;
    config_init(&c);
    if (!config_read_string(&c, content)) {
        text_printf(faults, "%s:%d: %s\n", name, config_error_line(&c), config_error_text(&c));
        r.failed = true;
    } else {
        read_tree(&r, &c, &spec);
    }
    config_destroy(&c);
    if (r.failed) {
        house_spec_free(&spec);
        return false;
    }
    *out = spec;
    return true;
}

bool house_file_load(struct house_spec *out, const char *path, const struct site *site,
                     struct text *faults)
{
    struct text content = TEXT_INIT;
    bool ok = text_read_file(&content, path, MAX_BYTES);
    if (!ok)
        text_printf(faults, "%s: cannot be read, or is longer than a megabyte\n", path);
    else
        ok = house_file_parse(out, path, text_get(&content), site, faults);
    text_free(&content);
    return ok;
}
