#include "convention.h"

#include "base/clock.h"

#include <mosquitto.h>

#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

#define GOODBYE_MS 1000

struct convention {
    struct delivery_broker broker;
    const struct convention_calls *calls;
    void *self;
    struct line line;
    int wake_fd;
    atomic_bool stop, connected;
    pthread_t thread;
    struct pulse pulse;
};

static void say_goodbye(struct convention *c)
{
    int64_t deadline = clock_mono_ms() + GOODBYE_MS;
    c->calls->goodbye(c->self, c->line.broker);
    while (broker_unanswered(c->line.broker) > 0 && clock_mono_ms() < deadline)
        if (broker_turn(c->line.broker, c->wake_fd, 50) != BROKER_UP)
            return;
}

static void *run(void *context)
{
    struct convention *c = context;
    enum convention_next next = CONVENTION_WAIT;
    pulse_begin_thread(&c->pulse);
    while (!atomic_load(&c->stop)) {
        pulse_beat(&c->pulse);
        bool up = line_turn(&c->line, next == CONVENTION_MORE ? 0 : 500);
        atomic_store(&c->connected, up);
        next = up ? c->calls->feed(c->self, c->line.broker) : CONVENTION_WAIT;
        if (next == CONVENTION_LEAVE) {
            say_goodbye(c);
            line_leave(&c->line);
        }
    }
    if (c->line.up)
        say_goodbye(c);
    line_close(&c->line, true);
    pulse_end(&c->pulse);
    return NULL;
}

static void destroy(struct convention *c)
{
    if (c->wake_fd >= 0)
        close(c->wake_fd);
    free(c);
    mosquitto_lib_cleanup();
}

struct convention *convention_start(const char *name, const struct convention_options *o,
                                    const struct convention_calls *calls, void *self)
{
    struct convention *c = calloc(1, sizeof *c);
    if (!c)
        return NULL;
    c->calls = calls;
    c->self = self;
    c->broker = *o->broker;
    pulse_init(&c->pulse, name, LINE_PATIENCE_MS);
    snprintf(c->broker.client_id, sizeof c->broker.client_id, "%.*s-%s",
             (int)(sizeof c->broker.client_id - strlen(name) - 2), o->broker->client_id, name);
    c->wake_fd = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC);
    line_init(&c->line, &(struct line_options){.broker = &c->broker,
                                               .topic = name,
                                               .calls = &calls->line,
                                               .context = self,
                                               .wake_fd = c->wake_fd});
    mosquitto_lib_init(); /* counted by the library */
    if (c->wake_fd >= 0 && pthread_create(&c->thread, NULL, run, c) == 0)
        return c;
    destroy(c);
    return NULL;
}

void convention_wake(struct convention *c)
{
    uint64_t one = 1;
    ssize_t n = write(c->wake_fd, &one, sizeof one); /* fails only when it is awake anyway */
    (void)n;
}

void convention_stop(struct convention *c)
{
    if (!c)
        return;
    atomic_store(&c->stop, true);
    convention_wake(c);
    pthread_join(c->thread, NULL);
    destroy(c);
}

bool convention_connected(struct convention *c)
{
    return atomic_load(&c->connected);
}

const struct pulse *convention_pulse(const struct convention *c)
{
    return &c->pulse;
}
