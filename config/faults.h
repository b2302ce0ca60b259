/*
 * faults - what is wrong with a configuration, all of it in one run.
 *
 * A fault says where (file, line), what is wrong and what would be right, in one sentence. An
 * error makes the configuration unusable; a warning is worth a look and stops nothing. Files
 * are named relative to the configuration directory. The list is bounded: what comes after the
 * last place is counted and not kept.
 *
 * Ownership  the list belongs to the caller, starts as CONFIG_FAULTS_INIT and ends with
 * faults_free Threads    none inside
 */
#ifndef FORETRIP_CONFIG_FAULTS_H
#define FORETRIP_CONFIG_FAULTS_H

#include "base/text.h"

#define CONFIG_MAX_FAULTS 500
#define CONFIG_FILE_SIZE 64 /* "maps/<id>.cfg" */

struct config_fault {
    char file[CONFIG_FILE_SIZE];
    int line; /* 1-based; 0 when it is about the file as a whole */
    bool warning;
    char *text; /* without a full stop */
};

struct config_faults {
    struct config_fault *list;
    size_t count;
    size_t errors;   /* of all, also those not kept */
    size_t warnings; /* the same */
};

#define CONFIG_FAULTS_INIT                                                                     \
    {                                                                                          \
        0                                                                                      \
    }

void faults_error(struct config_faults *f, const char *file, int line, const char *format, ...)
    __attribute__((format(printf, 4, 5)));
void faults_warning(struct config_faults *f, const char *file, int line, const char *format,
                    ...) __attribute__((format(printf, 4, 5)));

/* By file, line and then as found. */
void faults_sort(struct config_faults *f);

/* Appends one line a fault, "<prefix>file:line: text", warnings as "<prefix>file:line: warning:
 * text", and a last line when some were not kept. A prefix is a directory with its slash, or
 * "". */
void faults_print(const struct config_faults *f, const char *prefix, struct text *out);

void faults_free(struct config_faults *f);

#endif
