#include "wait.h"

#include <errno.h>
#include <poll.h>
#include <time.h>

#include "base/clock.h"

enum wait_end wait_for(int fd, short events, int stop_fd, int64_t mono_us)
{
    struct pollfd fds[2] = {{.fd = stop_fd, .events = POLLIN}, {.fd = fd, .events = events}};
    for (;;) {
        int64_t left = mono_us - clock_mono_us();
        if (left < 0)
            left = 0;
        struct timespec t = {.tv_sec = left / 1000000, .tv_nsec = left % 1000000 * 1000};
        int n = ppoll(fds, 2, &t, NULL);
        if (n < 0 && errno != EINTR)
            return WAIT_TIME;
        if (n > 0 && fds[0].revents)
            return WAIT_STOP;
        if (n > 0)
            return WAIT_READY;
        if (n == 0 && clock_mono_us() >= mono_us)
            return WAIT_TIME;
    }
}

enum wait_end wait_until(int stop_fd, int64_t mono_us)
{
    return wait_for(-1, 0, stop_fd, mono_us);
}
