#include "log.h"

#include <pthread.h>
#include <stdio.h>
#include <unistd.h>

/* The one mutable file-scope state outside the mains: a log that had to be handed to every
 * function of every layer would be noise; what it holds decides nothing but where lines go. */
static struct {
    pthread_mutex_t lock;
    log_sink *sink;
    void *context;
    enum log_level most;
} sink_state = {PTHREAD_MUTEX_INITIALIZER, NULL, NULL, LOG_LEVEL_INFO};

const char *log_level_word(enum log_level level)
{
    switch (level) {
    case LOG_LEVEL_ERROR: return "error";
    case LOG_LEVEL_WARNING: return "warning";
    case LOG_LEVEL_INFO: return "info";
    case LOG_LEVEL_DEBUG: return "debug";
    }
    return "?";
}

int log_priority(enum log_level level)
{
    static const int priority[] = {3, 4, 6, 7}; /* syslog's err, warning, info, debug */
    return priority[level];
}

static void write_stderr(enum log_level level, const char *subsystem, const char *line)
{
    if (isatty(STDERR_FILENO))
        fprintf(stderr, "%s %s: %s\n", log_level_word(level), subsystem, line);
    else
        fprintf(stderr, "<%d>%s: %s\n", log_priority(level), subsystem, line);
}

static void __attribute__((format(printf, 3, 0)))
emit(enum log_level level, const char *subsystem, const char *format, va_list args)
{
    char line[1024];
    pthread_mutex_lock(&sink_state.lock);
    if (level <= sink_state.most) {
        vsnprintf(line, sizeof line, format, args);
        if (sink_state.sink)
            sink_state.sink(sink_state.context, level, subsystem, line);
        else
            write_stderr(level, subsystem, line);
    }
    pthread_mutex_unlock(&sink_state.lock);
}

void log_to(log_sink *sink, void *context)
{
    pthread_mutex_lock(&sink_state.lock);
    sink_state.sink = sink;
    sink_state.context = context;
    pthread_mutex_unlock(&sink_state.lock);
}

void log_set_level(enum log_level most)
{
    pthread_mutex_lock(&sink_state.lock);
    sink_state.most = most;
    pthread_mutex_unlock(&sink_state.lock);
}

#define LOG_FUNCTION(name, level)                                                              \
    void name(const char *subsystem, const char *format, ...)                                  \
    {                                                                                          \
        va_list args;                                                                          \
        va_start(args, format);                                                                \
        emit(level, subsystem, format, args);                                                  \
        va_end(args);                                                                          \
    }

LOG_FUNCTION(log_error, LOG_LEVEL_ERROR)
LOG_FUNCTION(log_warning, LOG_LEVEL_WARNING)
LOG_FUNCTION(log_info, LOG_LEVEL_INFO)
LOG_FUNCTION(log_debug, LOG_LEVEL_DEBUG)
