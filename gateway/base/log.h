/*
 * log - one line per change of something, never per poll.
 *
 * Each line carries a subsystem word ("bus", "store", "mqtt"). The sink is part of the context
 * given to log_to; without one, lines go to standard error, with the journal's "<N>" priority
 * prefix when it is not a terminal. Tests capture, fuzzers silence. Threads: safe.
 */
#ifndef FORETRIP_LOG_H
#define FORETRIP_LOG_H

#include <stdarg.h>

enum log_level { LOG_LEVEL_ERROR, LOG_LEVEL_WARNING, LOG_LEVEL_INFO, LOG_LEVEL_DEBUG };

typedef void log_sink(void *context, enum log_level level, const char *subsystem,
                      const char *line);

/* NULL restores standard error. Process-wide: called by the mains and by test set-ups only. */
void log_to(log_sink *sink, void *context);
void log_set_level(enum log_level most);

/* "error", and syslog's number of it. */
const char *log_level_word(enum log_level level);
int log_priority(enum log_level level);

void log_error(const char *subsystem, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
void log_warning(const char *subsystem, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
void log_info(const char *subsystem, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
void log_debug(const char *subsystem, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

#endif
