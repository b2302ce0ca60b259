#include "fields.h"

#include "base/certificate.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

static const char *type_name(const config_setting_t *s)
{
    switch (config_setting_type(s)) {
    case CONFIG_TYPE_GROUP: return "a group { }";
    case CONFIG_TYPE_INT:
    case CONFIG_TYPE_INT64: return "an integer";
    case CONFIG_TYPE_FLOAT: return "a number";
    case CONFIG_TYPE_STRING: return "a text";
    case CONFIG_TYPE_BOOL: return "true or false";
    case CONFIG_TYPE_ARRAY: return "an array [ ]";
    case CONFIG_TYPE_LIST: return "a list ( )";
    default: return "nothing";
    }
}

static const char *kind_name(enum field_kind k)
{
    switch (k) {
    case FIELD_ID:
    case FIELD_TEXT:
    case FIELD_WORD: return "a text in quotes";
    case FIELD_INTEGER:
    case FIELD_BITS: return "an integer";
    case FIELD_NUMBER: return "a number";
    case FIELD_SWITCH: return "true or false";
    case FIELD_GROUP: return "a group { }";
    case FIELD_LIST: return "a list of groups ( { }, { } )";
    case FIELD_NUMBERS: return "a list of integers [ 1, 2 ]";
    }
    return "?";
}

static void fault(const struct config_file *file, int line, bool warning, const char *format,
                  va_list args)
{
    struct text t = TEXT_INIT;
    text_vprintf(&t, format, args);
    if (warning)
        faults_warning(file->faults, file->name, line, "%s", text_get(&t));
    else
        faults_error(file->faults, file->name, line, "%s", text_get(&t));
    text_free(&t);
}

void field_error(const struct config_file *file, int line, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    fault(file, line, false, format, args);
    va_end(args);
}

void field_warning(const struct config_file *file, int line, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    fault(file, line, true, format, args);
    va_end(args);
}

int field_line(const config_setting_t *group, const char *name)
{
    const config_setting_t *s =
        config_setting_is_group(group) ? config_setting_get_member(group, name) : NULL;
    return (int)config_setting_source_line(s ? s : group);
}

bool field_number(const config_setting_t *s, double *out)
{
    switch (config_setting_type(s)) {
    case CONFIG_TYPE_INT: *out = config_setting_get_int(s); return true;
    case CONFIG_TYPE_INT64: *out = (double)config_setting_get_int64(s); return true;
    case CONFIG_TYPE_FLOAT: *out = config_setting_get_float(s); return isfinite(*out);
    default: return false;
    }
}

void nearest_offer(struct nearest *n, const char *candidate)
{
    size_t d = text_distance(n->word, candidate);
    if (d > 1 && strlen(n->word) >= 4 && strstr(candidate, n->word))
        d = 1; /* half a name: "amps", "password" */
    if (!n->best || d < n->distance) {
        n->best = candidate;
        n->distance = d;
    }
}

const char *nearest_get(const struct nearest *n)
{
    size_t near = strlen(n->word) / 3;
    if (near < 2)
        near = 2;
    return n->best && n->distance <= near && n->distance < strlen(n->best) ? n->best : NULL;
}

const char *nearest_say(const struct nearest *n, char *out, size_t capacity)
{
    const char *best = nearest_get(n);
    out[0] = '\0';
    if (best)
        snprintf(out, capacity, "; did you mean \"%s\"?", best);
    return out;
}

/* ---- one value ------------------------------------------------------------------------------
 */

static bool text_clean(const char *s)
{
    for (; *s; s++)
        if ((unsigned char)*s < 0x20 || *s == 0x7F)
            return false;
    return true;
}

static bool read_text(const struct config_file *file, const config_setting_t *s,
                      const struct field *f, char *out)
{
    const char *v = config_setting_get_string(s);
    int line = (int)config_setting_source_line(s);
    if (f->kind == FIELD_ID && !site_id_valid(v)) {
        field_error(file, line,
                    "%s = \"%.60s\" is no id: 1 to %d of the letters A-Z a-z, digits, _ and -",
                    f->name, v, SITE_ID_SIZE - 1);
        return false;
    }
    if (v[0] == '\0' && !f->may_be_empty) {
        field_error(file, line, "%s is empty; %s", f->name, f->help);
        return false;
    }
    if (strlen(v) >= f->size) {
        field_error(file, line, "%s is longer than %zu bytes", f->name, f->size - 1);
        return false;
    }
    if (!text_clean(v)) {
        field_error(file, line, "%s has a control character in it; plain text only", f->name);
        return false;
    }
    text_copy(out, f->size, v);
    return true;
}

static bool read_number(const struct config_file *file, const config_setting_t *s,
                        const struct field *f, void *out)
{
    double v = 0.0;
    if (!field_number(s, &v) || !(v >= f->least && v <= f->most)) {
        field_error(file, (int)config_setting_source_line(s),
                    "%s = %.10g is out of range; it is %.10g to %.10g (%s)", f->name, v,
                    f->least, f->most, f->help);
        return false;
    }
    if (f->kind == FIELD_INTEGER)
        *(int *)out = (int)v;
    else
        *(double *)out = v;
    return true;
}

static bool read_word(const struct config_file *file, const config_setting_t *s,
                      const struct field *f, int *out)
{
    const char *v = config_setting_get_string(s);
    struct text choices = TEXT_INIT;
    for (int i = 0; f->words[i]; i++) {
        if (strcmp(f->words[i], v) == 0) {
            *out = i;
            text_free(&choices);
            return true;
        }
        text_printf(&choices, "%s\"%s\"",
                    i == 0            ? ""
                    : f->words[i + 1] ? ", "
                                      : " or ",
                    f->words[i]);
    }
    field_error(file, (int)config_setting_source_line(s),
                "%s = \"%.60s\" is not known; it is %s", f->name, v, text_get(&choices));
    text_free(&choices);
    return false;
}

static bool type_fits(const config_setting_t *s, enum field_kind k)
{
    int type = config_setting_type(s);
    switch (k) {
    case FIELD_ID:
    case FIELD_TEXT:
    case FIELD_WORD: return type == CONFIG_TYPE_STRING;
    case FIELD_INTEGER:
    case FIELD_BITS: return type == CONFIG_TYPE_INT || type == CONFIG_TYPE_INT64;
    case FIELD_NUMBER:
        return type == CONFIG_TYPE_INT || type == CONFIG_TYPE_INT64 ||
               type == CONFIG_TYPE_FLOAT;
    case FIELD_SWITCH: return type == CONFIG_TYPE_BOOL;
    case FIELD_GROUP: return type == CONFIG_TYPE_GROUP;
    case FIELD_LIST: return type == CONFIG_TYPE_LIST;
    case FIELD_NUMBERS: return type == CONFIG_TYPE_LIST || type == CONFIG_TYPE_ARRAY;
    }
    return false;
}

static bool read_one(const struct config_file *file, const config_setting_t *s,
                     const struct field *f, void *object)
{
    if (!type_fits(s, f->kind)) {
        field_error(file, (int)config_setting_source_line(s), "%s is %s; it should be %s",
                    f->name, type_name(s), kind_name(f->kind));
        return false;
    }
    if (f->kind >= FIELD_GROUP) /* what is in it is the caller's */
        return true;
    assert(object);
    void *out = (char *)object + f->offset;
    switch (f->kind) {
    case FIELD_ID:
    case FIELD_TEXT: return read_text(file, s, f, out);
    case FIELD_INTEGER:
    case FIELD_NUMBER: return read_number(file, s, f, out);
    case FIELD_BITS: *(int64_t *)out = config_setting_get_int64(s); return true;
    case FIELD_SWITCH: *(bool *)out = config_setting_get_bool(s) != 0; return true;
    case FIELD_WORD: return read_word(file, s, f, out);
    case FIELD_GROUP:
    case FIELD_LIST:
    case FIELD_NUMBERS: break;
    }
    return false;
}

/* ---- a group --------------------------------------------------------------------------------
 */

static int row_of(const struct field *table, size_t count, const char *name)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(table[i].name, name) == 0)
            return (int)i;
    return -1;
}

/* Returns the row that was most likely meant, -1 for none. */
static int unknown_key(const struct config_file *file, const config_setting_t *s,
                       const char *what, const struct field *table, size_t count)
{
    struct nearest n = {.word = config_setting_name(s)};
    char did_you_mean[NEAREST_SIZE];
    for (size_t i = 0; i < count; i++)
        nearest_offer(&n, table[i].name);
    const char *best = nearest_get(&n);
    struct text known = TEXT_INIT;
    if (!best) {
        text_append(&known, "; the keys here are");
        for (size_t i = 0; i < count; i++)
            text_printf(&known, "%s %s", i == 0 ? "" : ",", table[i].name);
    }
    field_error(file, (int)config_setting_source_line(s), "unknown key \"%.60s\" in %s%s%s",
                n.word, what, nearest_say(&n, did_you_mean, sizeof did_you_mean),
                text_get(&known));
    text_free(&known);
    return best ? row_of(table, count, best) : -1;
}

struct fields_result fields_read(const struct config_file *file, const config_setting_t *group,
                                 const char *what, const struct field *table, size_t count,
                                 void *object)
{
    struct fields_result r = {0};
    if (!config_setting_is_group(group)) {
        field_error(file, (int)config_setting_source_line(group),
                    "%s is %s; it should be a group { }", what, type_name(group));
        r.faulty = ~UINT64_C(0);
        return r;
    }
    for (int i = 0; i < config_setting_length(group); i++) {
        const config_setting_t *s = config_setting_get_elem(group, (unsigned)i);
        int row = row_of(table, count, config_setting_name(s));
        if (row < 0) {
            r.unknown = true;
            row = unknown_key(file, s, what, table, count);
            if (row >= 0)
                r.faulty |= FIELD_BIT(row);
        } else if (read_one(file, s, &table[row], object))
            r.given |= FIELD_BIT(row);
        else
            r.faulty |= FIELD_BIT(row);
    }
    for (size_t i = 0; i < count; i++) {
        if (!table[i].required || ((r.given | r.faulty) & FIELD_BIT(i)))
            continue;
        field_error(file, (int)config_setting_source_line(group),
                    "%s has no %s; add %s = %s: %s", what, table[i].name, table[i].name,
                    kind_name(table[i].kind), table[i].help);
        r.faulty |= FIELD_BIT(i);
    }
    return r;
}

void field_certificate(const struct config_file *file, int line, const char *key,
                       const char *path)
{
    double days;
    if (!certificate_days_left(path, &days))
        return;
    if (days < 0.0)
        field_warning(file, line,
                      "%s: the certificate in %s ended %.0f days ago, nobody will trust it; "
                      "renew it",
                      key, path, -days);
    else if (days < CERTIFICATE_SOON_DAYS)
        field_warning(file, line, "%s: the certificate in %s ends in %.0f days; renew it", key,
                      path, days);
}
