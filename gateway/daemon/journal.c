#include "journal.h"

#include "base/log.h"
#include "base/service.h"

#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#define MESSAGE_SIZE 1200 /* a subsystem and one line of the log */

static void enter(void *context, enum log_level level, const char *subsystem, const char *line)
{
    char message[MESSAGE_SIZE], priority[12];
    (void)context;
    snprintf(message, sizeof message, "%s: %s", subsystem, line);
    snprintf(priority, sizeof priority, "%d", log_priority(level));
    const struct service_field fields[] = {{"MESSAGE", message},
                                           {"PRIORITY", priority},
                                           {"FORETRIP_PART", subsystem},
                                           {"SYSLOG_IDENTIFIER", "foretripd"}};
    if (!service_journal(SERVICE_JOURNAL, fields, sizeof fields / sizeof fields[0]))
        fprintf(stderr, "<%s>%s: %s\n", priority, subsystem, line);
}

static bool stderr_is_journal(void)
{
    const char *stream = getenv("JOURNAL_STREAM");
    unsigned long long device, inode;
    struct stat st;
    return stream && sscanf(stream, "%llu:%llu", &device, &inode) == 2 &&
           fstat(STDERR_FILENO, &st) == 0 && st.st_dev == device && st.st_ino == inode;
}

void journal_begin(void)
{
    if (stderr_is_journal())
        log_to(enter, NULL);
}
