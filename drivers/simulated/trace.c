#include "trace.h"

#include <math.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#define MAX_BYTES ((size_t)16 * 1024 * 1024) /* a row a second is 1.5 MiB */

extern char **environ;

/* `gzip -dc path` without a shell in between; false when it cannot be run or fails */
static bool unpack(const char *path, struct text *out)
{
    int ends[2];
    pid_t child;
    if (pipe(ends) != 0)
        return false;
    posix_spawn_file_actions_t actions;
    posix_spawn_file_actions_init(&actions);
    posix_spawn_file_actions_adddup2(&actions, ends[1], STDOUT_FILENO);
    posix_spawn_file_actions_addclose(&actions, ends[0]);
    char file[4096];
    snprintf(file, sizeof file, "%s", path);
    char *argv[] = {"gzip", "-dc", "--", file, NULL};
    int rc = posix_spawnp(&child, "gzip", &actions, NULL, argv, environ);
    posix_spawn_file_actions_destroy(&actions);
    close(ends[1]);
    char part[65536];
    ssize_t n;
    while (rc == 0 && (n = read(ends[0], part, sizeof part)) > 0 && out->length < MAX_BYTES)
        text_append_bytes(out, part, (size_t)n);
    close(ends[0]);
    int status = -1;
    if (rc == 0)
        waitpid(child, &status, 0);
    return rc == 0 && status == 0 && !out->failed;
}

bool trace_load(struct trace *t, const char *path, struct text *why)
{
    struct text csv = TEXT_INIT;
    bool ok = false;
    if (access(path, R_OK) != 0)
        text_printf(why, "%s: cannot be read", path);
    else if (!unpack(path, &csv))
        text_printf(why, "%s: gzip cannot unpack it", path);
    else
        ok = trace_parse(t, path, text_get(&csv), csv.length, why);
    text_free(&csv);
    return ok;
}

/* one line "t_s,watts" of at most 40 characters; false when it is not that */
static bool parse_row(const char *line, size_t length, struct trace_row *row)
{
    char copy[41];
    if (length == 0 || length >= sizeof copy)
        return false;
    memcpy(copy, line, length);
    copy[length] = '\0';
    char *end;
    long second = strtol(copy, &end, 10);
    if (end == copy || *end != ',' || second < 0 || second > 2 * 86400L)
        return false;
    char *cell = end + 1;
    double watts = *cell ? strtod(cell, &end) : (double)NAN;
    if (*cell && (*end || !(watts >= 0.0 && watts <= 1e6)))
        return false;
    *row = (struct trace_row){(int32_t)second, (float)watts};
    return true;
}

bool trace_parse(struct trace *t, const char *name, const char *csv, size_t length,
                 struct text *why)
{
    struct trace made = {0};
    size_t capacity = 0;
    int line = 0;
    for (const char *p = csv, *end = csv + length; p < end; line++) {
        const char *stop = memchr(p, '\n', (size_t)(end - p));
        size_t n = (size_t)((stop ? stop : end) - p);
        const char *at = p;
        p += n + 1;
        if (n > 0 && at[n - 1] == '\r')
            n--;
        if (line == 0) {
            if (n != 9 || memcmp(at, "t_s,watts", 9) != 0) {
                text_printf(why, "%s:1: the header must be \"t_s,watts\"", name);
                goto fail;
            }
            continue;
        }
        if (made.count == capacity) {
            capacity = capacity ? 2 * capacity : 1024;
            struct trace_row *grown = realloc(made.rows, capacity * sizeof *grown);
            if (!grown) {
                text_printf(why, "%s: memory is short", name);
                goto fail;
            }
            made.rows = grown;
        }
        struct trace_row *row = &made.rows[made.count];
        if (!parse_row(at, n, row) || (made.count > 0 && row->second <= row[-1].second)) {
            text_printf(
                why, "%s:%d: a row is a later second of the day, a comma, and watts or nothing",
                name, line + 1);
            goto fail;
        }
        made.count++;
    }
    if (made.count == 0) {
        text_printf(why, "%s: no rows in it", name);
        goto fail;
    }
    *t = made;
    return true;
fail:
    trace_free(&made);
    return false;
}

void trace_free(struct trace *t)
{
    free(t->rows);
    *t = (struct trace){0};
}

double trace_watts(const struct trace *t, double second)
{
    size_t low = 0, high = t->count; /* the last row at or before `second` is low - 1 */
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (t->rows[middle].second <= second)
            low = middle + 1;
        else
            high = middle;
    }
    if (low == 0 || low == t->count)
        return 0.0;
    double watts = (double)t->rows[low - 1].watts;
    return isnan(watts) ? 0.0 : watts;
}
