#include "source.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

/* bytes of the UTF-8 sequence at s, 0 when it is none (RFC 3629: shortest form, no surrogates)
 */
static size_t utf8_length(const unsigned char *s, size_t left)
{
    if (s[0] < 0x80)
        return 1;
    size_t n = s[0] >= 0xF0 ? 4 : s[0] >= 0xE0 ? 3 : 2;
    if (s[0] < 0xC2 || s[0] > 0xF4 || n > left)
        return 0;
    for (size_t i = 1; i < n; i++)
        if ((s[i] & 0xC0) != 0x80)
            return 0;
    if ((s[0] == 0xE0 && s[1] < 0xA0) || (s[0] == 0xED && s[1] > 0x9F) ||
        (s[0] == 0xF0 && s[1] < 0x90) || (s[0] == 0xF4 && s[1] > 0x8F))
        return 0;
    return n;
}

/* One pass over the text, outside of strings and comments where it matters. */
struct scan {
    const unsigned char *s;
    size_t length, at;
    int line;
    int depth;
};

static bool scan_is(const struct scan *c, const char *word)
{
    size_t n = strlen(word);
    return c->length - c->at >= n && memcmp(c->s + c->at, word, n) == 0;
}

static void scan_step(struct scan *c)
{
    c->line += c->s[c->at] == '\n';
    c->at++;
}

/* past the end of a comment that begins here; false when none does */
static bool skip_comment(struct scan *c)
{
    if (scan_is(c, "//") || scan_is(c, "#")) {
        while (c->at < c->length && c->s[c->at] != '\n')
            c->at++;
        return true;
    }
    if (!scan_is(c, "/*"))
        return false;
    for (c->at += 2; c->at < c->length && !scan_is(c, "*/");)
        scan_step(c);
    c->at += c->at < c->length ? 2 : 0;
    return true;
}

/* past the closing quote of the text that begins here; false when the line ends before it */
static bool skip_quoted(struct scan *c)
{
    for (c->at++; c->at < c->length && c->s[c->at] != '\n'; c->at++) {
        if (c->s[c->at] == '"') {
            c->at++;
            return true;
        }
        if (c->s[c->at] == '\\' && c->at + 1 < c->length && c->s[c->at + 1] != '\n')
            c->at++;
    }
    return false;
}

static const char *check_bytes(const unsigned char *s, size_t length, int *line)
{
    *line = 1;
    for (size_t at = 0; at < length;) {
        size_t n = utf8_length(s + at, length - at);
        if (s[at] == '\0')
            return "a NUL byte; a configuration file is plain text";
        if (n == 0)
            return "bytes that are not UTF-8; save the file as UTF-8";
        *line += s[at] == '\n';
        at += n;
    }
    return NULL;
}

/* NULL when the text may go to libconfig, else what is wrong with it and where */
static const char *check_text(const char *text, size_t length, int *line)
{
    struct scan c = {.s = (const unsigned char *)text, .length = length, .line = 1};
    const char *wrong = check_bytes(c.s, length, line);
    if (wrong)
        return wrong;
    while (c.at < c.length) {
        if (skip_comment(&c))
            continue;
        *line = c.line;
        char x = text[c.at];
        if (x == '"') {
            if (!skip_quoted(&c))
                return "a text begins in this line and does not end in it; look for a missing "
                       "quote";
            continue;
        }
        if (x == '@')
            return "@include is not allowed; put everything into the file itself";
        c.depth += x == '{' || x == '(' || x == '[';
        c.depth -= x == '}' || x == ')' || x == ']';
        if (c.depth > SOURCE_MAX_NESTING)
            return "groups and lists nested too deeply; nothing here needs more than 4 levels";
        scan_step(&c);
    }
    return NULL;
}

static void say_syntax(const struct config_file *file)
{
    const char *why = config_error_text(&file->tree), *hint = "";
    if (!why)
        why = "syntax error";
    if (strcmp(why, "syntax error") == 0)
        hint = "; look here and just above for a missing \";\", \",\", quote or bracket";
    else if (strcmp(why, "duplicate setting name") == 0)
        hint = "; a key stands once in a group";
    faults_error(file->faults, file->name, config_error_line(&file->tree), "%s%s", why, hint);
}

enum source_result source_parse(struct config_file *file, const char *name, const char *text,
                                size_t length, struct config_faults *faults)
{
    *file = (struct config_file){.faults = faults};
    text_copy(file->name, sizeof file->name, name);
    if (length > CONFIG_MAX_BYTES) {
        faults_error(faults, name, 0, "longer than %zu bytes; a site needs far less",
                     CONFIG_MAX_BYTES);
        return SOURCE_FAULTY;
    }
    if (length >= 3 && memcmp(text, "\xEF\xBB\xBF", 3) == 0) { /* a byte order mark */
        text += 3;
        length -= 3;
    }
    int line;
    const char *wrong = check_text(text, length, &line);
    if (wrong) {
        faults_error(faults, name, line, "%s", wrong);
        return SOURCE_FAULTY;
    }
    struct text terminated = TEXT_INIT; /* libconfig wants a terminated string */
    text_append_bytes(&terminated, text, length);
    if (terminated.failed) {
        faults_error(faults, name, 0, "memory is short");
        return SOURCE_FAULTY;
    }
    config_init(&file->tree);
    bool good = config_read_string(&file->tree, text_get(&terminated)) == CONFIG_TRUE;
    text_free(&terminated);
    if (!good) {
        say_syntax(file);
        source_close(file);
        return SOURCE_FAULTY;
    }
    file->root = config_root_setting(&file->tree);
    return SOURCE_OPEN;
}

static enum source_result open_file(struct config_file *file, const char *directory,
                                    const char *name, struct config_faults *faults)
{
    char path[4096];
    int n = snprintf(path, sizeof path, "%s/%s", directory, name);
    if (n < 0 || (size_t)n >= sizeof path) {
        faults_error(faults, name, 0, "the directory's name is too long");
        return SOURCE_FAULTY;
    }
    struct text content = TEXT_INIT;
    enum source_result result = SOURCE_FAULTY;
    if (text_read_file(&content, path, CONFIG_MAX_BYTES))
        result = source_parse(file, name, text_get(&content), content.length, faults);
    else if (errno == ENOENT)
        result = SOURCE_ABSENT;
    else if (errno == EFBIG)
        faults_error(faults, name, 0, "longer than %zu bytes; a site needs far less",
                     CONFIG_MAX_BYTES);
    else
        faults_error(faults, name, 0, "cannot be read: %s", strerror(errno));
    text_free(&content);
    return result;
}

enum source_result source_open(struct config_file *file, const struct config_source *source,
                               const char *name, struct config_faults *faults)
{
    if (source->directory)
        return open_file(file, source->directory, name, faults);
    for (size_t i = 0; i < source->count; i++)
        if (strcmp(source->texts[i].name, name) == 0)
            return source_parse(file, name, source->texts[i].text, source->texts[i].length,
                                faults);
    return SOURCE_ABSENT;
}

void source_close(struct config_file *file)
{
    config_destroy(&file->tree);
    file->root = NULL;
}
