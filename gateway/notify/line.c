#include "line.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/text.h"

#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <sys/random.h>
#include <unistd.h>

#define CONNECT_MS 15000 /* from the first byte to the broker's greeting */
#define STEADY_MS 10000

void line_init(struct line *l, const struct line_options *o)
{
    *l = (struct line){.o = *o, .protocol = 5};
    if (l->o.retry_first_ms <= 0)
        l->o.retry_first_ms = 500;
    if (l->o.retry_most_ms <= 0)
        l->o.retry_most_ms = 30000;
    l->retry_ms = l->o.retry_first_ms / 2; /* doubled before it is first waited */
}

static int jittered(int ms)
{
    uint16_t r = 0;
    if (getrandom(&r, sizeof r, GRND_NONBLOCK) != (ssize_t)sizeof r)
        return ms;
    return ms * 3 / 4 + (int)((int64_t)ms * r / 131072); /* 75 to 125 % */
}

static void hang(struct line *l, bool polite)
{
    l->will_kept = !l->broker || !broker_said_hello(l->broker);
    broker_close(l->broker, polite);
    l->broker = NULL;
    l->up = false;
}

static void hang_up(struct line *l, const char *why, bool other_version)
{
    bool held = l->up && (l->progress || clock_mono_ms() - l->began_mono_ms >= STEADY_MS);
    bool was_up = l->up;
    hang(l, false);
    if (other_version)
        l->protocol = l->protocol == 5 ? 4 : 5;
    l->retry_ms = held ? l->o.retry_first_ms : l->retry_ms * 2;
    if (l->retry_ms > l->o.retry_most_ms)
        l->retry_ms = l->o.retry_most_ms;
    l->retry_mono_ms = clock_mono_ms() + jittered(l->retry_ms);
    if (held || strcmp(l->said, why) != 0)
        log_warning(l->o.topic, "%s; messages wait", why);
    text_copy(l->said, sizeof l->said, why);
    text_copy(l->why, sizeof l->why, why);
    if (was_up && l->o.calls->down)
        l->o.calls->down(l->o.context);
}

void line_leave(struct line *l)
{
    hang(l, true);
    l->retry_ms = l->o.retry_first_ms;
    l->retry_mono_ms = clock_mono_ms() + jittered(l->retry_ms);
}

static void dial(struct line *l)
{
    char why[BROKER_WHY_SIZE];
    struct broker_out will = {0};
    l->o.calls->will(l->o.context, l->will_kept, &will);
    l->broker = broker_open(&(struct broker_options){.broker = l->o.broker,
                                                     .will = &will,
                                                     .protocol = l->protocol,
                                                     .calls = &l->o.calls->broker,
                                                     .context = l->o.context},
                            why);
    l->began_mono_ms = clock_mono_ms();
    l->progress = false;
    if (!l->broker)
        hang_up(l, why, false);
}

static void drain_wake(const struct line *l)
{
    uint64_t n;
    ssize_t got = read(l->o.wake_fd, &n, sizeof n); /* non-blocking; nothing there is fine */
    (void)got;
}

static void wait_to_retry(struct line *l, int timeout_ms)
{
    int64_t ms = l->retry_mono_ms - clock_mono_ms();
    struct pollfd p = {.fd = l->o.wake_fd, .events = POLLIN};
    if (ms > 0)
        poll(&p, 1, ms < timeout_ms ? (int)ms : timeout_ms);
    drain_wake(l);
}

static void greet(struct line *l)
{
    l->up = true;
    l->connects++;
    l->why[0] = '\0';
    log_info(l->o.topic, "connected to %s:%d with MQTT %s", l->o.broker->host,
             l->o.broker->port, l->protocol == 5 ? "5" : "3.1.1");
    l->o.calls->up(l->o.context, l->broker);
}

bool line_turn(struct line *l, int timeout_ms)
{
    char why[BROKER_WHY_SIZE];
    if (!l->broker && clock_mono_ms() >= l->retry_mono_ms)
        dial(l);
    if (!l->broker) {
        wait_to_retry(l, timeout_ms);
        return false;
    }
    enum broker_state state = broker_turn(l->broker, l->o.wake_fd, timeout_ms);
    drain_wake(l);
    if (state == BROKER_UP && !l->up)
        greet(l);
    if (state == BROKER_CONNECTING && clock_mono_ms() - l->began_mono_ms > CONNECT_MS) {
        snprintf(why, sizeof why, "%s:%d: no answer within %d s", l->o.broker->host,
                 l->o.broker->port, CONNECT_MS / 1000);
        hang_up(l, why, false);
    } else if (state == BROKER_ENDED || state == BROKER_REFUSED_VERSION) {
        l->taken_over += broker_was_taken_over(l->broker);
        text_copy(why, sizeof why, broker_why(l->broker));
        hang_up(l, why, state == BROKER_REFUSED_VERSION);
    }
    return l->up;
}

void line_close(struct line *l, bool polite)
{
    hang(l, polite);
}
