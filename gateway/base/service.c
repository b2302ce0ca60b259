#include "service.h"

#include "text.h"

#include <endian.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

/* name: a path, or "@" and a name outside of the file system (unix(7)) */
static bool send_datagram(const char *name, const void *bytes, size_t length)
{
    struct sockaddr_un to = {.sun_family = AF_UNIX};
    size_t n = strlen(name);
    if ((name[0] != '/' && name[0] != '@') || n >= sizeof to.sun_path)
        return false;
    memcpy(to.sun_path, name, n);
    if (name[0] == '@')
        to.sun_path[0] = '\0';
    int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return false;
    socklen_t size = (socklen_t)(offsetof(struct sockaddr_un, sun_path) + n);
    bool sent = sendto(fd, bytes, length, MSG_NOSIGNAL, (const struct sockaddr *)&to, size) ==
                (ssize_t)length;
    close(fd);
    return sent;
}

bool service_notify(const char *state)
{
    const char *name = getenv("NOTIFY_SOCKET");
    return name && send_datagram(name, state, strlen(state));
}

bool service_notifyf(const char *format, ...)
{
    char state[512];
    va_list list;
    va_start(list, format);
    vsnprintf(state, sizeof state, format, list);
    va_end(list);
    return service_notify(state);
}

/* false: not set, or more than a number */
static bool number_of(const char *variable, unsigned long long *out)
{
    const char *value = getenv(variable);
    char *end;
    if (!value || value[0] < '0' || value[0] > '9')
        return false;
    *out = strtoull(value, &end, 10);
    return *end == '\0';
}

uint64_t service_watchdog_us(void)
{
    unsigned long long us, pid;
    if (!number_of("WATCHDOG_USEC", &us))
        return 0;
    if (getenv("WATCHDOG_PID") &&
        !(number_of("WATCHDOG_PID", &pid) && pid == (unsigned long long)getpid()))
        return 0;
    return us;
}

bool service_journal(const char *name, const struct service_field *fields, size_t count)
{
    struct text entry = TEXT_INIT;
    for (size_t i = 0; i < count; i++) { /* with its length, so that a value may have lines */
        uint64_t length = htole64(strlen(fields[i].value));
        text_append(&entry, fields[i].name);
        text_append(&entry, "\n");
        text_append_bytes(&entry, (const char *)&length, sizeof length);
        text_append(&entry, fields[i].value);
        text_append(&entry, "\n");
    }
    bool sent = !entry.failed && send_datagram(name, entry.bytes, entry.length);
    text_free(&entry);
    return sent;
}
