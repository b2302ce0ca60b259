#include "edit.h"

#include <ctype.h>
#include <string.h>

/* A place in the text, over spaces and comments. */
struct cursor {
    const char *at;
};

static bool starts(const char *at, const char *with)
{
    return strncmp(at, with, strlen(with)) == 0;
}

/* to the first character that means something */
static char look(struct cursor *c)
{
    for (;;) {
        while (isspace((unsigned char)*c->at))
            c->at++;
        if (*c->at == '#' || starts(c->at, "//")) {
            c->at += strcspn(c->at, "\n");
        } else if (starts(c->at, "/*")) {
            const char *end = strstr(c->at + 2, "*/");
            c->at = end ? end + 2 : c->at + strlen(c->at);
        } else {
            return *c->at;
        }
    }
}

static void pass_string(struct cursor *c)
{
    for (c->at++; *c->at && *c->at != '"'; c->at++)
        c->at += *c->at == '\\' && c->at[1];
    c->at += *c->at == '"';
}

/* over a value, with all that is inside it; *end is behind its last character */
static void pass_value(struct cursor *c, const char **end)
{
    int depth = 0;
    *end = c->at;
    for (char now = look(c); now; now = look(c)) {
        if (depth == 0 && strchr(";,})]", now))
            return;
        depth += strchr("({[", now) != NULL;
        depth -= strchr(")}]", now) != NULL;
        if (now == '"')
            pass_string(c);
        else
            c->at++;
        *end = c->at;
        if (depth == 0 && (now == '"' || strchr(")}]", now)))
            return;
        if (depth == 0 && isspace((unsigned char)*c->at))
            return; /* a number, a word: separators may be left out */
    }
}

/* "name =" or "name :"; false when something else stands there */
static bool take_name(struct cursor *c, const char **name, size_t *length)
{
    look(c);
    *name = c->at;
    while (isalnum((unsigned char)*c->at) || *c->at == '_' || *c->at == '-' || *c->at == '*')
        c->at++;
    *length = (size_t)(c->at - *name);
    char sign = look(c);
    if (*length == 0 || (sign != '=' && sign != ':'))
        return false;
    c->at++;
    look(c);
    return true;
}

static bool is(const char *name, size_t length, const char *word)
{
    return length == strlen(word) && memcmp(name, word, length) == 0;
}

static void pass_separators(struct cursor *c)
{
    while (look(c) == ';' || *c->at == ',')
        c->at++;
}

struct group {
    const char *open;              /* its brace */
    bool wanted;                   /* it has that id */
    const char *value, *value_end; /* of the key, NULL */
};

/* A group from its brace on; false when it is not one. */
static bool take_group(struct cursor *c, const char *id, const char *key, struct group *g)
{
    *g = (struct group){.open = c->at};
    c->at++;
    for (pass_separators(c); *c->at != '}'; pass_separators(c)) {
        const char *name, *value, *end;
        size_t length;
        if (!take_name(c, &name, &length))
            return false;
        value = c->at;
        pass_value(c, &end);
        if (is(name, length, "id"))
            g->wanted = end - value > 2 && is(value + 1, (size_t)(end - value) - 2, id);
        if (is(name, length, key)) {
            g->value = value;
            g->value_end = end;
        }
    }
    c->at++;
    return true;
}

static bool find_group(const char *text, const char *list, const char *id, const char *key,
                       struct group *g)
{
    struct cursor c = {text};
    for (pass_separators(&c); *c.at; pass_separators(&c)) {
        const char *name, *end;
        size_t length;
        if (!take_name(&c, &name, &length))
            return false;
        if (!is(name, length, list) || *c.at != '(') {
            pass_value(&c, &end);
            continue;
        }
        c.at++;
        for (pass_separators(&c); *c.at == '{'; pass_separators(&c)) {
            if (!take_group(&c, id, key, g))
                return false;
            if (g->wanted)
                return true;
        }
        return false;
    }
    return false;
}

bool config_edit(struct text *file, const char *list, const char *id, const char *key,
                 const char *value)
{
    const char *from = text_get(file);
    struct group g;
    struct text out = TEXT_INIT;
    if (!find_group(from, list, id, key, &g))
        return false;
    if (g.value) {
        size_t length = (size_t)(g.value_end - g.value);
        bool plain = !memchr(g.value, '*', length); /* else a comment would end too early */
        text_append_bytes(&out, from, (size_t)(g.value - from));
        text_append(&out, value);
        if (plain)
            text_printf(&out, " /* was %.*s */", (int)length, g.value);
        text_append(&out, g.value_end);
    } else {
        text_append_bytes(&out, from, (size_t)(g.open + 1 - from));
        text_printf(&out, " %s = %s;%s", key, value, g.open + 1);
    }
    if (out.failed) {
        text_free(&out);
        return false;
    }
    text_free(file);
    *file = out;
    return true;
}
