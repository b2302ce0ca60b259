#include "journal.h"

#include "base/log.h"

#define SD_JOURNAL_SUPPRESS_LOCATION
#include <systemd/sd-journal.h>

#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

static void enter(void *context, enum log_level level, const char *subsystem, const char *line)
{
    int priority = log_priority(level);
    (void)context;
    if (sd_journal_send("MESSAGE=%s: %s", subsystem, line, "PRIORITY=%d", priority,
                        "FORETRIP_PART=%s", subsystem, "SYSLOG_IDENTIFIER=foretripd", NULL) < 0)
        fprintf(stderr, "<%d>%s: %s\n", priority, subsystem, line);
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
