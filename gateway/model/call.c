#include "call.h"

#include <string.h>

static const char *const stages[] = {
    "cautions",      "find", "by_hand", "loads_off", "off",  "on",
    "wrong_breaker", "next", "watch",   "too_much",  "fell", "ended",
};
static const char *const answers[] = {
    "",         "begin",     "clear",     "may_not",  "tripped",      "at_off",
    "at_on",    "not_found", "nobody",    "somebody", "loads_off",    "is_off",
    "holds",    "opened",    "connected", "runs",     "switched_off", "all_back",
    "put_back", "not_me",    "danger",    "end",      "take_over",    "note",
};
static const char *const dangers[] = {
    "", "heat", "smell", "buzzing", "sparks", "water", "damage", "shock",
};
static const char *const sights[] = {
    "",           "dead",       "current",  "load",   "too_much", "fall",  "opened",
    "other_dead", "other_back", "upstream", "nobody", "pause",    "blind",
};
static const char *const findings[] = {
    "",
    "restored",
    "overload",
    "opened_by_overload",
    "appliance",
    "wiring_or_breaker",
    "worn_breaker",
    "fault_likely",
    "feeder",
    "supply",
    "somebody_works",
    "dead_though_on",
    "breaker_not_found",
    "open_neutral",
    "danger",
    "may_not",
    "stopped_before",
    "left",
};
static const char *const outcomes[] = {"watched",  "held",     "silent",
                                       "left_off", "too_much", "opened"};
static const char *const ases[] = {"occupant", "electrician"};

#define LENGTH(a) (sizeof(a) / sizeof(a)[0])
_Static_assert(LENGTH(stages) == CALL_STAGES, "a stage without its word");
_Static_assert(LENGTH(answers) == CALL_ANSWERS, "an answer without its word");
_Static_assert(LENGTH(dangers) == CALL_DANGERS, "a danger without its word");
_Static_assert(LENGTH(sights) == CALL_SIGHTS, "a sight without its word");
_Static_assert(LENGTH(findings) == CALL_FINDINGS, "a finding without its word");
_Static_assert(LENGTH(outcomes) == CALL_OUTCOMES, "an outcome without its word");

const char *call_stage_name(enum call_stage s)
{
    return stages[s];
}

const char *call_answer_name(enum call_answer a)
{
    return answers[a];
}

const char *call_danger_name(enum call_danger d)
{
    return dangers[d];
}

const char *call_sight_name(enum call_sight s)
{
    return sights[s];
}

const char *call_finding_name(enum call_finding f)
{
    return findings[f];
}

const char *call_outcome_name(enum call_outcome o)
{
    return outcomes[o];
}

const char *call_as_name(enum call_as a)
{
    return ases[a];
}

static int find(const char *word, const char *const *words, int from, int count)
{
    for (int i = from; i < count; i++)
        if (strcmp(word, words[i]) == 0)
            return i;
    return -1;
}

bool call_answer_find(const char *word, enum call_answer *out)
{
    int i = find(word, answers, CALL_SAID_CLEAR, CALL_ANSWERS);
    *out = i < 0 ? CALL_SAID_NOTHING : (enum call_answer)i;
    return i >= 0;
}

bool call_danger_find(const char *word, enum call_danger *out)
{
    int i = find(word, dangers, CALL_DANGER_HEAT, CALL_DANGERS);
    *out = i < 0 ? CALL_DANGER_NONE : (enum call_danger)i;
    return i >= 0;
}

bool call_as_find(const char *word, enum call_as *out)
{
    int i = find(word, ases, 0, CALL_ASES);
    *out = i < 0 ? CALL_AS_OCCUPANT : (enum call_as)i;
    return i >= 0;
}

bool call_finding_stops(enum call_finding f)
{
    switch (f) {
    case CALL_FOUND_NOTHING:
    case CALL_FOUND_RESTORED:
    case CALL_FOUND_OVERLOAD:
    case CALL_FOUND_SUPPLY:
    case CALL_FOUND_BY_HAND:
    case CALL_FOUND_LEFT: return false;
    case CALL_FOUND_OPENED_OVERLOAD:
    case CALL_FOUND_APPLIANCE:
    case CALL_FOUND_WIRING:
    case CALL_FOUND_WORN:
    case CALL_FOUND_FAULT:
    case CALL_FOUND_FEEDER:
    case CALL_FOUND_DEAD_THOUGH_ON:
    case CALL_FOUND_NOT_FOUND:
    case CALL_FOUND_NEUTRAL:
    case CALL_FOUND_DANGER:
    case CALL_FOUND_MAY_NOT:
    case CALL_FOUND_STOPPED_BEFORE: return true;
    }
    return true;
}

bool call_finding_bars(enum call_finding f)
{
    switch (f) {
    case CALL_FOUND_OPENED_OVERLOAD:
    case CALL_FOUND_APPLIANCE:
    case CALL_FOUND_WIRING:
    case CALL_FOUND_WORN:
    case CALL_FOUND_FAULT:
    case CALL_FOUND_DANGER:
    case CALL_FOUND_STOPPED_BEFORE: return true;
    default: return false; /* who is there, or where the breaker is, is asked anew */
    }
}

size_t call_choices(enum call_stage s, enum call_answer out[CALL_MOST_CHOICES])
{
    static const enum call_answer of[CALL_STAGES][CALL_MOST_CHOICES] = {
        [CALL_CAUTIONS] = {CALL_SAID_CLEAR, CALL_SAID_MAY_NOT},
        [CALL_FIND] = {CALL_SAID_TRIPPED, CALL_SAID_AT_OFF, CALL_SAID_AT_ON,
                       CALL_SAID_NOT_FOUND},
        [CALL_BY_HAND] = {CALL_SAID_NOBODY, CALL_SAID_SOMEBODY},
        [CALL_LOADS_OFF] = {CALL_SAID_LOADS_OFF},
        [CALL_OFF] = {CALL_SAID_IS_OFF},
        [CALL_ON] = {CALL_SAID_HOLDS, CALL_SAID_OPENED},
        [CALL_WRONG_BREAKER] = {CALL_SAID_PUT_BACK, CALL_SAID_NOT_ME},
        [CALL_NEXT] = {CALL_SAID_CONNECTED, CALL_SAID_ALL_BACK, CALL_SAID_OPENED},
        [CALL_WATCH] = {CALL_SAID_RUNS, CALL_SAID_OPENED, CALL_SAID_SWITCHED_OFF},
        [CALL_TOO_MUCH] = {CALL_SAID_SWITCHED_OFF, CALL_SAID_OPENED},
        [CALL_FELL] = {CALL_SAID_OPENED, CALL_SAID_SWITCHED_OFF},
    };
    size_t n = 0;
    for (; n < CALL_MOST_CHOICES && of[s][n] != CALL_SAID_NOTHING; n++)
        out[n] = of[s][n];
    return n;
}

struct call_load *call_last_load(struct call *c)
{
    return c->load_count > 0 ? &c->loads[c->load_count - 1] : NULL;
}
