#include "trace_days.h"

#include <glob.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define DAYS_A_DEVICE 6

/* changes of the held series; 0 when the file is not a day's trace */
static size_t read_day(const char *path, int32_t *day)
{
    char command[4096], line[128];
    snprintf(command, sizeof command, "zcat '%s'", path);
    FILE *f = popen(command, "r");
    size_t filled = 0, changes = 0;
    int32_t held = 0;
    while (f && fgets(line, sizeof line, f)) {
        double seconds, watts;
        if (sscanf(line, "%lf,%lf", &seconds, &watts) != 2 || !(seconds >= 0.0))
            continue;
        size_t at = seconds < TRACE_DAY_SECONDS ? (size_t)seconds : TRACE_DAY_SECONDS;
        while (filled < at)
            day[filled++] = held;
        int32_t now = (int32_t)lround(watts / 230.0 * 100.0) * 10;
        changes += now != held;
        held = now;
    }
    if (f)
        pclose(f);
    while (filled < TRACE_DAY_SECONDS)
        day[filled++] = held;
    return changes;
}

/* "<class>.<device>." */
static size_t device_length(const char *path)
{
    const char *name = strrchr(path, '/') + 1;
    const char *dot = strchr(name, '.');
    return (size_t)(name - path) + (dot ? (size_t)(dot + 1 - name) + strcspn(dot + 1, ".") : 0);
}

static bool same_device(const char *a, const char *b)
{
    size_t length = device_length(a);
    return device_length(b) == length && strncmp(a, b, length) == 0;
}

/* the busiest of the device's first days, NULL when nothing ever changed */
static int32_t *busiest(char **paths, size_t count)
{
    int32_t *best = malloc(TRACE_DAY_SECONDS * sizeof *best);
    int32_t *day = malloc(TRACE_DAY_SECONDS * sizeof *day);
    size_t most = 0;
    for (size_t i = 0;
         best && day && i < count && i < DAYS_A_DEVICE && same_device(paths[0], paths[i]);
         i++) {
        size_t changes = read_day(paths[i], day);
        if (changes <= most)
            continue;
        most = changes;
        int32_t *swap = best;
        best = day;
        day = swap;
    }
    free(day);
    if (most > 0)
        return best;
    free(best);
    return NULL;
}

bool trace_days_load(struct trace_days *t, size_t most)
{
    const char *folder = getenv("FORETRIP_TRACES");
    char pattern[1024];
    glob_t found = {0};
    size_t devices = 0, device = 0;
    *t = (struct trace_days){0};
    if (!folder)
        folder = "../shared/traces";
    snprintf(pattern, sizeof pattern, "%s/*.csv.gz", folder);
    if (glob(pattern, 0, NULL, &found) != 0)
        found.gl_pathc = 0;
    char **paths = found.gl_pathv;
    for (size_t i = 0; i < found.gl_pathc; i++)
        devices += i == 0 || !same_device(paths[i - 1], paths[i]);
    for (size_t i = 0; i < found.gl_pathc && t->count < most; i++) {
        if (i > 0 && same_device(paths[i - 1], paths[i]))
            continue;
        /* spread over the list */
        int32_t *day = device++ * most / devices < t->count && devices > most
                           ? NULL
                           : busiest(paths + i, found.gl_pathc - i);
        if (day)
            t->days[t->count++] = day;
    }
    globfree(&found);
    if (t->count == 0)
        printf("skipped: no traces in %s (FORETRIP_TRACES names their folder)\n", folder);
    return t->count > 0;
}

void trace_days_free(struct trace_days *t)
{
    for (size_t i = 0; i < t->count; i++)
        free(t->days[i]);
    *t = (struct trace_days){0};
}
