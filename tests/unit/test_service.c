/* service: what a service manager and the journal hear of us, by sockets in their place */
#include "check.h"

#include "base/service.h"

#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

struct manager {
    int fd;
    char directory[64], name[sizeof((struct sockaddr_un *)0)->sun_path];
};

/* listens at a path of its own, or at a name outside of the file system */
static int begin(struct manager *m, bool abstract)
{
    struct sockaddr_un at = {.sun_family = AF_UNIX};
    snprintf(m->directory, sizeof m->directory, "/tmp/foretrip-service.XXXXXX");
    assert_non_null(mkdtemp(m->directory));
    snprintf(m->name, sizeof m->name, "%s%s/notify", abstract ? "@" : "", m->directory);
    memcpy(at.sun_path, m->name, strlen(m->name));
    if (abstract)
        at.sun_path[0] = '\0';
    m->fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    return bind(m->fd, (const struct sockaddr *)&at,
                (socklen_t)(offsetof(struct sockaddr_un, sun_path) + strlen(m->name)));
}

static void end(struct manager *m)
{
    close(m->fd);
    (void)unlink(m->name);
    assert_int_equal(rmdir(m->directory), 0);
    unsetenv("NOTIFY_SOCKET");
}

/* the next datagram, or "" when there is none */
static const char *heard(struct manager *m, char out[256])
{
    ssize_t n = recv(m->fd, out, 255, 0);
    out[n < 0 ? 0 : n] = '\0';
    return out;
}

static void the_manager_hears_what_is_told(void **state)
{
    char text[256];
    (void)state;
    for (int abstract = 0; abstract < 2; abstract++) {
        struct manager m;
        assert_int_equal(begin(&m, abstract != 0), 0);
        setenv("NOTIFY_SOCKET", m.name, 1);
        assert_true(service_notify("READY=1"));
        assert_string_equal(heard(&m, text), "READY=1");
        assert_true(service_notifyf("RELOADING=1\nMONOTONIC_USEC=%d", 12));
        assert_string_equal(heard(&m, text), "RELOADING=1\nMONOTONIC_USEC=12");
        end(&m);
        assert_false(service_notify("READY=1")); /* nobody there */
    }
}

static void a_manager_that_is_gone_or_is_no_socket_is_no_harm(void **state)
{
    struct manager m;
    char text[200];
    (void)state;
    assert_int_equal(begin(&m, false), 0);
    snprintf(text, sizeof text, "%s", m.name);
    end(&m);
    setenv("NOTIFY_SOCKET", text, 1);
    assert_false(service_notify("READY=1"));
    setenv("NOTIFY_SOCKET", "vsock:2:1234", 1); /* of a virtual machine's manager */
    assert_false(service_notify("READY=1"));
    setenv("NOTIFY_SOCKET", "", 1);
    assert_false(service_notify("READY=1"));
    memset(text, 'a', sizeof text - 1); /* longer than a socket's name can be */
    text[0] = '/';
    text[sizeof text - 1] = '\0';
    setenv("NOTIFY_SOCKET", text, 1);
    assert_false(service_notify("READY=1"));
    unsetenv("NOTIFY_SOCKET");
}

/* sd_watchdog_enabled(3): microseconds, and whose life sign is waited for */
static void the_watchdog_is_ours_or_nobodys(void **state)
{
    char pid[24];
    (void)state;
    unsetenv("WATCHDOG_USEC");
    unsetenv("WATCHDOG_PID");
    assert_int_equal(service_watchdog_us(), 0);
    setenv("WATCHDOG_USEC", "2000000", 1);
    assert_int_equal(service_watchdog_us(), 2000000);
    snprintf(pid, sizeof pid, "%ld", (long)getpid());
    setenv("WATCHDOG_PID", pid, 1);
    assert_int_equal(service_watchdog_us(), 2000000);
    snprintf(pid, sizeof pid, "%ld", (long)getppid());
    setenv("WATCHDOG_PID", pid, 1);
    assert_int_equal(service_watchdog_us(), 0);
    unsetenv("WATCHDOG_PID");
    setenv("WATCHDOG_USEC", "2s", 1);
    assert_int_equal(service_watchdog_us(), 0);
    setenv("WATCHDOG_USEC", "-1", 1);
    assert_int_equal(service_watchdog_us(), 0);
    unsetenv("WATCHDOG_USEC");
}

/* The native protocol's second form: name, line feed, length as 64 bits from the low end,
 * value, line feed. */
static void an_entry_of_the_journal_carries_its_fields_whole(void **state)
{
    static const char wanted[] = "MESSAGE\n\x09\0\0\0\0\0\0\0bus: a\nb!\nPRIORITY\n"
                                 "\x01\0\0\0\0\0\0\0"
                                 "4\n";
    const struct service_field fields[] = {{"MESSAGE", "bus: a\nb!"}, {"PRIORITY", "4"}};
    char bytes[256];
    struct manager m;
    (void)state;
    assert_int_equal(begin(&m, false), 0);
    assert_true(service_journal(m.name, fields, 2));
    ssize_t n = recv(m.fd, bytes, sizeof bytes, 0);
    assert_int_equal(n, sizeof wanted - 1);
    assert_memory_equal(bytes, wanted, sizeof wanted - 1);
    end(&m);
    assert_false(service_journal(m.name, fields, 2)); /* whoever asks says it elsewhere */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_manager_hears_what_is_told),
        cmocka_unit_test(a_manager_that_is_gone_or_is_no_socket_is_no_harm),
        cmocka_unit_test(the_watchdog_is_ours_or_nobodys),
        cmocka_unit_test(an_entry_of_the_journal_carries_its_fields_whole),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
