/* What a check of the wiring found, put into site.cfg where somebody says so: for transformers
 * that stay as they are. */
#include "commission.h"
#include "open_config.h"

#include "base/text.h"
#include "config/edit.h"

#include <stdio.h>

#define MOST_BYTES (1U << 20)

static bool set(struct text *t, const struct site *s, int circuit, const char *key,
                const char *value)
{
    return config_edit(t, "circuits", s->circuits[circuit].id, key, value);
}

/* The channels of `as`, and its meter, for `circuit`. */
static bool set_channels(struct text *t, const struct site *s, int circuit, int as)
{
    const struct site_circuit *c = &s->circuits[as];
    struct text channels = TEXT_INIT, meter = TEXT_INIT;
    text_append(&channels, "[ ");
    for (int k = 0; k < c->poles; k++)
        text_printf(&channels, k ? ", %d" : "%d", c->channels[k]);
    text_append(&channels, " ]");
    text_printf(&meter, "\"%s\"", s->meters[c->meter].id);
    bool ok = set(t, s, circuit, "channels", text_get(&channels)) &&
              (c->meter == s->circuits[circuit].meter ||
               set(t, s, circuit, "meter", text_get(&meter)));
    text_free(&channels);
    text_free(&meter);
    return ok;
}

/* As a question; false when site.cfg cannot mend it. */
static bool question_for(const struct site *s, const struct wiring_finding *f, char *out,
                         size_t capacity)
{
    const struct site_circuit *c = &s->circuits[f->circuit];
    switch (f->fault) {
    case WIRING_CT_REVERSED:
        snprintf(out, capacity, "%s: ct_reversed = %s, and the transformer stays?", c->id,
                 c->ct_reversed ? "false" : "true");
        return f->steps > 0;
    case WIRING_WRONG_LEG:
        snprintf(out, capacity, "%s: pole %d on leg %c?", c->id, f->pole + 1, f->leg);
        return f->leg != '?';
    case WIRING_WRONG_RATIO:
        snprintf(out, capacity, "%s: ct_ratio = %.4g?", c->id, c->ct_ratio * f->ratio);
        return true;
    case WIRING_SWAPPED:
        snprintf(out, capacity, "%s and %s: channels exchanged?", c->id,
                 s->circuits[f->other].id);
        return c->poles == s->circuits[f->other].poles;
    case WIRING_CT_OPEN:
    case WIRING_UNEXPLAINED: return false;
    }
    return false;
}

static bool mend(struct text *t, const struct site *s, const struct wiring_finding *f)
{
    const struct site_circuit *c = &s->circuits[f->circuit];
    char value[32];
    switch (f->fault) {
    case WIRING_CT_REVERSED:
        return set(t, s, f->circuit, "ct_reversed", c->ct_reversed ? "false" : "true");
    case WIRING_WRONG_LEG:
        snprintf(value, sizeof value, "\"%s\"", c->leg);
        value[1 + f->pole] = f->leg;
        return set(t, s, f->circuit, "leg", value);
    case WIRING_WRONG_RATIO:
        snprintf(value, sizeof value, "%#.4g", c->ct_ratio * f->ratio); /* with its point */
        return set(t, s, f->circuit, "ct_ratio", value);
    case WIRING_SWAPPED:
        return set_channels(t, s, f->circuit, f->other) &&
               set_channels(t, s, f->other, f->circuit);
    case WIRING_CT_OPEN:
    case WIRING_UNEXPLAINED: return false;
    }
    return false;
}

static bool write_file(const char *path, const struct text *t)
{
    FILE *f = fopen(path, "w");
    bool ok = f && fwrite(text_get(t), 1, t->length, f) == t->length;
    return f && fclose(f) == 0 && ok;
}

/* The old one stays beside it; a new one that is not usable goes away again. */
static void replace(const char *directory, const char *path, const struct text *t)
{
    char before[4112];
    struct config c;
    snprintf(before, sizeof before, "%s.before", path);
    bool moved = rename(path, before) == 0;
    if (moved && write_file(path, t) && open_config(&c, directory)) {
        config_free(&c);
        printf("%s is written, and what it was is in %s; begin again to see whether all is "
               "right now\n",
               path, before);
        return;
    }
    if (moved)
        (void)rename(before, path);
    fprintf(stderr, "foretrip commission: %s cannot be changed and is as it was\n", path);
}

void commission_mend(const struct commission_options *o, const struct site *s,
                     const struct wiring_check *w)
{
    struct wiring_finding found[COMMISSION_MOST_FINDINGS];
    size_t n = wiring_check_judge(w, found, COMMISSION_MOST_FINDINGS);
    char path[4096], question[2 * SITE_ID_SIZE + 80];
    struct text t = TEXT_INIT;
    bool changed = false;
    snprintf(path, sizeof path, "%s/site.cfg", o->directory);
    bool read = text_read_file(&t, path, MOST_BYTES);
    for (size_t i = 0; read && i < n; i++)
        if (question_for(s, &found[i], question, sizeof question) && commission_agree(question))
            changed = mend(&t, s, &found[i]) || changed;
    if (changed)
        replace(o->directory, path, &t);
    text_free(&t);
}
