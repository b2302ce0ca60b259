/*
 * house_options - the command line of foretrip-house.
 *
 * Ownership  the strings are those of argv
 */
#ifndef FORETRIP_SIMULATED_HOUSE_OPTIONS_H
#define FORETRIP_SIMULATED_HOUSE_OPTIONS_H

#include "model/site.h"

#define HOUSE_MAX_PLAYED 64

struct house_options {
    const char *config, *house, *faults, *traces, *log, *truth, *start, *record, *hands;
    const char *tcp[SITE_MAX_BUSES], *pty[SITE_MAX_BUSES], *play[HOUSE_MAX_PLAYED];
    size_t tcp_count, pty_count, play_count;
    bool paced, sunspec_floats;
    bool help;                             /* was asked for, and given */
    double speed, seconds, every_ms, seed; /* seed < 0: not given */
};

/* False when it cannot be understood, after saying so on standard error, or
 * when only help was asked for. */
bool house_options_parse(struct house_options *o, int argc, char **argv);

/* The argument for this bus out of --tcp or --rtu-pty: "BUS=what", or the one without a bus;
 * NULL when there is none. */
const char *house_options_for_bus(const char *const *list, size_t count, const char *bus);

/* "HH:MM" or "HH:MM:SS" as second of the day. */
bool house_options_clock(const char *s, double *second);

#endif
