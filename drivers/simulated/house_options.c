#include "house_options.h"

#include "house.h"

#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char usage[] =
    "foretrip-house: a simulated house that answers on Modbus\n"
    "\n"
    "  --config DIR            site.cfg and register maps, the same that the gateway reads\n"
    "  --house FILE            how the house lives; without it only --play and standing "
    "meters\n"
    "  --tcp [BUS=]HOST:PORT   where a TCP bus is served instead of where site.cfg says; port "
    "0\n"
    "                          takes a free one (printed)\n"
    "  --rtu-pty [BUS=]LINK    serves a serial bus on a pseudo-terminal, linked to LINK\n"
    "  --paced                 serial answers take the time that the bus's baud rate would "
    "take\n"
    "  --speed N               house seconds per second, 1 when not given\n"
    "  --start HH:MM:SS        time of day at the beginning; else the site's own clock\n"
    "  --seed N                the same number gives the same house; else the file's own, or "
    "1\n"
    "  --faults SPEC           "
    "METER:silence=SHARE,delay=SHARE/MS,exception=SHARE/CODE,unit=SHARE,\n"
    "                          corrupt=SHARE,short=SHARE,close=SHARE,dead=SECOND/SECONDS; next "
    "METER\n"
    "                          after a semicolon, * for all\n"
    "  --play FILE=CIRCUIT     plays recorded watts (gzipped \"t_s,watts\") on a circuit; may "
    "be\n"
    "                          given often. FILE without a slash is looked for in --traces\n"
    "  --traces DIR            where recordings lie\n"
    "  --log FILE              what the house does, in words; standard output when not given\n"
    "  --truth FILE            the same as JSON lines\n"
    "  --seconds N             end after so many house seconds\n"
    "  --record FILE           serves nobody and writes the readings of --seconds as CSV "
    "instead, as\n"
    "                          fast as it goes, from midnight of 12 January 2026 or --start\n"
    "  --hands FILE            what people do, line by line as it is appended to FILE (or "
    "comes "
    "through\n"
    "                          a FIFO): \"handle_off main-07\", \"plug bath-heater\", the acts "
    "of "
    "a script\n"
    "  --sunspec-floats        SunSpec meters are models 211 to 213 instead of 201 to 203\n"
    "  --every MS              between two rows of it, 1000 when not given\n";

bool house_options_clock(const char *s, double *second)
{
    int h, m, sec = 0, end = 0;
    bool ok = sscanf(s, "%2d:%2d%n", &h, &m, &end) == 2 && h >= 0 && h < 24 && m >= 0 && m < 60;
    if (ok && s[end] == ':')
        ok = sscanf(s + end, ":%2d", &sec) == 1 && sec >= 0 && sec < 60;
    if (ok)
        *second = h * 3600.0 + m * 60.0 + sec;
    return ok;
}

static bool parse_number(const char *name, const char *s, double least, double most,
                         double *out)
{
    char *end;
    double v = strtod(s, &end);
    if (end == s || *end || !(v >= least && v <= most)) {
        fprintf(stderr, "foretrip-house: %s must be a number from %g to %g\n", name, least,
                most);
        return false;
    }
    *out = v;
    return true;
}

static bool take_option(struct house_options *o, int c)
{
    switch (c) {
    case 'c': o->config = optarg; return true;
    case 'h': o->house = optarg; return true;
    case 'f': o->faults = optarg; return true;
    case 'T': o->traces = optarg; return true;
    case 'l': o->log = optarg; return true;
    case 'u': o->truth = optarg; return true;
    case 'S': o->start = optarg; return true;
    case 'a': o->hands = optarg; return true;
    case 'R': o->record = optarg; return true;
    case 'b': o->paced = true; return true;
    case 'F': o->sunspec_floats = true; return true;
    case 't':
        if (o->tcp_count < SITE_MAX_BUSES)
            o->tcp[o->tcp_count++] = optarg;
        return true;
    case 'r':
        if (o->pty_count < SITE_MAX_BUSES)
            o->pty[o->pty_count++] = optarg;
        return true;
    case 'p':
        if (o->play_count == HOUSE_MAX_PLAYED) {
            fprintf(stderr, "foretrip-house: at most %d --play\n", HOUSE_MAX_PLAYED);
            return false;
        }
        o->play[o->play_count++] = optarg;
        return true;
    case 's': return parse_number("--speed", optarg, 0.01, 1e6, &o->speed);
    case 'E': return parse_number("--every", optarg, HOUSE_STEP_MS, 3600e3, &o->every_ms);
    case 'e': return parse_number("--seconds", optarg, 0.1, 1e9, &o->seconds);
    case 'd': return parse_number("--seed", optarg, 0.0, 9e15, &o->seed);
    default: return false;
    }
}

bool house_options_parse(struct house_options *o, int argc, char **argv)
{
    static const struct option names[] = {
        {"config", 1, NULL, 'c'},         {"house", 1, NULL, 'h'},   {"tcp", 1, NULL, 't'},
        {"rtu-pty", 1, NULL, 'r'},        {"paced", 0, NULL, 'b'},   {"speed", 1, NULL, 's'},
        {"seed", 1, NULL, 'd'},           {"faults", 1, NULL, 'f'},  {"play", 1, NULL, 'p'},
        {"traces", 1, NULL, 'T'},         {"log", 1, NULL, 'l'},     {"truth", 1, NULL, 'u'},
        {"start", 1, NULL, 'S'},          {"seconds", 1, NULL, 'e'}, {"record", 1, NULL, 'R'},
        {"sunspec-floats", 0, NULL, 'F'}, {"every", 1, NULL, 'E'},   {"hands", 1, NULL, 'a'},
        {"help", 0, NULL, 'H'},           {NULL, 0, NULL, 0}};
    *o = (struct house_options){.speed = 1.0, .every_ms = 1000.0, .seed = -1.0};
    for (int c; (c = getopt_long(argc, argv, "", names, NULL)) != -1;)
        if (c == 'H' || !take_option(o, c)) {
            fputs(usage, c == 'H' ? stdout : stderr);
            o->help = c == 'H';
            return false;
        }
    if (!o->config || optind < argc || (o->record && o->seconds <= 0.0)) {
        fputs(usage, stderr);
        return false;
    }
    return true;
}

const char *house_options_for_bus(const char *const *list, size_t count, const char *bus)
{
    size_t n = strlen(bus);
    for (size_t i = 0; i < count; i++) {
        const char *equals = strchr(list[i], '=');
        if (!equals)
            return list[i];
        if ((size_t)(equals - list[i]) == n && memcmp(list[i], bus, n) == 0)
            return equals + 1;
    }
    return NULL;
}
