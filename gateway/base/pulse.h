/*
 * pulse - a sign of life of a thread, for whoever watches over it.
 *
 * The thread says that it begins, beats each time around its loop, and says that it ends. While
 * it is at work and does not beat for its patience, it is stuck. A thread that works only when
 * it is asked begins and ends with each piece of work, and is not missed between two.
 *
 * Ownership  the struct belongs to the thread's part and outlives both the thread and the vigil
 * Threads    pulse_init before there are any; the rest from any, without a lock
 */
#ifndef FORETRIP_PULSE_H
#define FORETRIP_PULSE_H

#include <stdatomic.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define PULSE_NAME_SIZE 16 /* what the kernel keeps of a thread's name */

struct pulse {
    char name[PULSE_NAME_SIZE]; /* "mqtt", "bus rs485": the thread's in ps and top as well */
    int64_t patience_ms;
    atomic_uint beats;
    atomic_int working; /* how many are at it */
};

/* patience: longer than the longest wait that is no fault, looking up a name for instance. */
void pulse_init(struct pulse *p, const char *name, int64_t patience_ms);

/* The calling thread works from now on, and is named so. */
void pulse_begin_thread(struct pulse *p);

static inline void pulse_beat(struct pulse *p)
{
    atomic_fetch_add_explicit(&p->beats, 1, memory_order_relaxed);
}

static inline void pulse_begin(struct pulse *p)
{
    pulse_beat(p);
    atomic_fetch_add(&p->working, 1);
}

static inline void pulse_end(struct pulse *p)
{
    pulse_beat(p);
    atomic_fetch_sub(&p->working, 1);
}

/* ---- watching over several ---- */

#define VIGIL_MOST 80
#define VIGIL_ROUND_MOST_MS 2000

struct vigil {
    struct vigil_row {
        const struct pulse *pulse;
        unsigned beats;
        int64_t quiet_ms;
        bool stuck;
    } rows[VIGIL_MOST];
    size_t count;
    int64_t round_mono_ms; /* 0: none yet */
};

/* From now on that one too. NULL (a part that was not started) and what is more than VIGIL_MOST
 * are left out; false for the latter. */
bool vigil_add(struct vigil *v, const struct pulse *p);

/* One look at each; the watcher's own loop makes a round at least each VIGIL_ROUND_MOST_MS. A
 * longer pause counts as that: whoever was suspended, or stopped in a debugger, finds nobody
 * stuck for it. The number that are stuck; *stuck (may be NULL) is one of them, NULL: none. */
size_t vigil_round(struct vigil *v, int64_t mono_ms, const struct pulse **stuck);

#endif
