#include "call_rules.h"

#include "base/text.h"

#include <math.h>
#include <string.h>

const char *call_strerror(enum call_err err)
{
    switch (err) {
    case CALL_OK:
    case CALL_SAID_BEFORE: return "ok";
    case CALL_ERR_NO_CALL: return "there is no open call of that id";
    case CALL_ERR_NO_CIRCUIT: return "site.cfg has no circuit of that id";
    case CALL_ERR_BUSY: return "that breaker has an open call: go on with it, or end it";
    case CALL_ERR_CLOSED: return "that circuit carries current: its breaker is closed";
    case CALL_ERR_MANY: return "there is no room for more: end what is over";
    case CALL_ERR_HOLDER: return "somebody else has this call: take it over first";
    case CALL_ERR_MOVED: return "the call has moved on: look at what is asked now";
    case CALL_ERR_NOT_ASKED: return "that is no answer to what is asked";
    case CALL_ERR_ENDED: return "the call has ended";
    case CALL_ERR_TOO_MUCH: return "it still carries more than it is rated for";
    case CALL_ERR_NO_DANGER:
        return "which danger: heat, smell, buzzing, sparks, water, damage or shock";
    case CALL_ERR_EMPTY: return "a name, or a word, is missing";
    }
    return "unknown error of a call";
}

void call_go(struct call *c, enum call_stage stage)
{
    c->stage = stage;
    c->question++;
}

void call_end(struct call *c, enum call_finding finding, int64_t wall_ms)
{
    c->finding = finding;
    c->ended_wall_ms = wall_ms;
    c->waiting = false;
    call_go(c, CALL_ENDED);
}

enum call_finding call_gate(const struct call *c, const struct call_facts *f)
{
    bool known = c->trip[0] != '\0';
    if (c->may_not)
        return CALL_FOUND_MAY_NOT;
    if (c->as == CALL_AS_ELECTRICIAN)
        return CALL_FOUND_NOTHING;
    if (f->neutral_suspected)
        return CALL_FOUND_NEUTRAL;
    if (f->feeder)
        return CALL_FOUND_FEEDER;
    if (known && (c->cause == CAUSE_FAULT || c->fault_probability >= CALL_SUSPECTED))
        return CALL_FOUND_FAULT;
    if (known && (c->cause == CAUSE_WORN_BREAKER || c->worn_probability >= CALL_SUSPECTED))
        return CALL_FOUND_WORN;
    if (f->stopped != CALL_FOUND_NOTHING)
        return CALL_FOUND_STOPPED_BEFORE;
    return f->occupant_resets ? CALL_FOUND_NOTHING : CALL_FOUND_MAY_NOT;
}

void call_opened(struct call *c, const struct call_facts *f, bool fault, int64_t wall_ms)
{
    struct call_load *last = call_last_load(c);
    bool watched = last && last->outcome == CALL_LOAD_WATCHED;
    bool at_once = watched && last->seconds < CALL_AT_ONCE_SECONDS;
    enum call_finding finding = CALL_FOUND_WIRING; /* nothing was connected, or nothing new */
    if (watched && (fault || at_once))
        finding = CALL_FOUND_APPLIANCE;
    else if (last && !fault && c->peak_amps > f->rating_amps)
        finding = CALL_FOUND_OPENED_OVERLOAD;
    else if (last && !fault && c->peak_amps > f->zero_amps)
        finding = CALL_FOUND_WORN;
    if (watched) {
        last->outcome = CALL_LOAD_OPENED;
        last->amps = at_once ? (double)NAN : last->amps; /* what was read was its fault */
    }
    call_end(c, finding, wall_ms);
}

void call_begin_anew(struct call *c)
{
    if (c->stage != CALL_CAUTIONS)
        c->resume = c->stage >= CALL_NEXT ? CALL_NEXT : CALL_CAUTIONS;
    struct call_load *last = call_last_load(c);
    if (last && last->outcome == CALL_LOAD_WATCHED) /* nobody watched it to the end */
        last->outcome = isnan(last->amps) ? CALL_LOAD_SILENT : CALL_LOAD_HELD;
    c->other = -1;
    c->may_not = false;
    call_go(c, CALL_CAUTIONS);
}

bool call_connect(struct call *c, const char *name, int64_t wall_ms)
{
    if (c->load_count == CALL_MOST_LOADS)
        return false;
    struct call_load *l = &c->loads[c->load_count++];
    *l = (struct call_load){.amps = (double)NAN,
                            .inrush_amps = (double)NAN,
                            .connected_wall_ms = wall_ms,
                            .outcome = CALL_LOAD_WATCHED};
    text_copy(l->name, sizeof l->name, name);
    call_go(c, CALL_WATCH);
    return true;
}

static void put_on(struct call *c)
{
    c->resets++;
    c->peak_amps = 0.0;
}

/* through the gate, or to the end */
static void pass_gate(struct call *c, const struct call_facts *f, enum call_stage to,
                      int64_t wall_ms)
{
    enum call_finding why = call_gate(c, f);
    if (why != CALL_FOUND_NOTHING)
        call_end(c, why, wall_ms);
    else
        call_go(c, to);
}

static void after_cautions(struct call *c)
{
    enum call_stage to = c->resume != CALL_CAUTIONS ? c->resume
                         : c->may_not               ? CALL_LOADS_OFF
                                                    : CALL_FIND;
    c->resume = CALL_CAUTIONS;
    call_go(c, to);
}

static void at_on(struct call *c, const struct call_facts *f, int64_t wall_ms)
{
    if (f->amps >= f->zero_amps) { /* somebody put it on */
        call_go(c, CALL_NEXT);
    } else if (c->loads_off) { /* as it should be: nothing draws */
        put_on(c);
        pass_gate(c, f, CALL_NEXT, wall_ms);
    } else {
        call_end(c, CALL_FOUND_DEAD_THOUGH_ON, wall_ms);
    }
}

static void all_back(struct call *c, int64_t wall_ms)
{
    bool too_much = false;
    for (size_t i = 0; i < c->load_count; i++)
        too_much |= c->loads[i].outcome == CALL_LOAD_TOO_MUCH;
    bool overload = too_much || (c->trip[0] != '\0' && c->cause == CAUSE_OVERLOAD);
    call_end(c, overload ? CALL_FOUND_OVERLOAD : CALL_FOUND_RESTORED, wall_ms);
}

static void next_load(struct call *c, enum call_outcome of_last)
{
    struct call_load *last = call_last_load(c);
    if (last && (last->outcome == CALL_LOAD_WATCHED || of_last == CALL_LOAD_TOO_MUCH))
        last->outcome = of_last;
    call_go(c, CALL_NEXT);
}

static void runs(struct call *c, const struct call_say *say)
{
    struct call_load *last = call_last_load(c);
    if (last && say->note[0])
        text_copy(last->name, sizeof last->name, say->note);
    next_load(c, last && isnan(last->amps) ? CALL_LOAD_SILENT : CALL_LOAD_HELD);
}

/* what is answered to the question that stands */
static enum call_err answer(struct call *c, const struct call_facts *f,
                            const struct call_say *say, int64_t wall_ms)
{
    switch (say->answer) {
    case CALL_SAID_MAY_NOT:
        c->may_not = true;
        after_cautions(c);
        return CALL_OK;
    case CALL_SAID_CLEAR: after_cautions(c); return CALL_OK;
    case CALL_SAID_NOBODY:
    case CALL_SAID_TRIPPED: call_go(c, CALL_LOADS_OFF); return CALL_OK;
    case CALL_SAID_AT_OFF: call_go(c, CALL_BY_HAND); return CALL_OK;
    case CALL_SAID_AT_ON: at_on(c, f, wall_ms); return CALL_OK;
    case CALL_SAID_NOT_FOUND: call_end(c, CALL_FOUND_NOT_FOUND, wall_ms); return CALL_OK;
    case CALL_SAID_SOMEBODY: call_end(c, CALL_FOUND_BY_HAND, wall_ms); return CALL_OK;
    case CALL_SAID_LOADS_OFF:
        c->loads_off = true;
        pass_gate(c, f, CALL_OFF, wall_ms);
        return CALL_OK;
    case CALL_SAID_IS_OFF: call_go(c, CALL_ON); return CALL_OK;
    case CALL_SAID_HOLDS:
        put_on(c);
        call_go(c, CALL_NEXT);
        return CALL_OK;
    case CALL_SAID_OPENED:
        if (c->stage == CALL_ON)
            put_on(c);
        call_opened(c, f, false, wall_ms);
        return CALL_OK;
    case CALL_SAID_CONNECTED:
        return call_connect(c, say->note, wall_ms) ? CALL_OK : CALL_ERR_MANY;
    case CALL_SAID_RUNS: runs(c, say); return CALL_OK;
    case CALL_SAID_SWITCHED_OFF:
        if (c->stage == CALL_TOO_MUCH && f->amps > f->rating_amps)
            return CALL_ERR_TOO_MUCH;
        next_load(c, c->stage == CALL_TOO_MUCH ? CALL_LOAD_TOO_MUCH : CALL_LOAD_LEFT_OFF);
        return CALL_OK;
    case CALL_SAID_ALL_BACK: all_back(c, wall_ms); return CALL_OK;
    case CALL_SAID_PUT_BACK:
    case CALL_SAID_NOT_ME:
        c->other = -1;
        call_go(c, c->resume);
        c->resume = CALL_CAUTIONS;
        return CALL_OK;
    case CALL_SAID_NOTHING:
    case CALL_SAID_BEGIN:
    case CALL_SAID_DANGER:
    case CALL_SAID_END:
    case CALL_SAID_TAKE_OVER:
    case CALL_SAID_NOTE: break;
    }
    return CALL_ERR_NOT_ASKED;
}

static bool is_asked(enum call_stage stage, enum call_answer answer)
{
    enum call_answer choices[CALL_MOST_CHOICES];
    size_t n = call_choices(stage, choices);
    for (size_t i = 0; i < n; i++)
        if (choices[i] == answer)
            return true;
    return false;
}

static void take_over(struct call *c, const struct call_say *say)
{
    text_copy(c->by, sizeof c->by, say->by);
    text_copy(c->device, sizeof c->device, say->device);
    c->as = say->as;
    call_begin_anew(c);
}

/* what can be said at any stage; CALL_ERR_NOT_ASKED: it is none of these */
static enum call_err anytime(struct call *c, const struct call_say *say, int64_t wall_ms)
{
    switch (say->answer) {
    case CALL_SAID_DANGER:
        if (say->danger == CALL_DANGER_NONE)
            return CALL_ERR_NO_DANGER;
        c->danger = say->danger;
        call_end(c, CALL_FOUND_DANGER, wall_ms);
        return CALL_OK;
    case CALL_SAID_END: call_end(c, CALL_FOUND_LEFT, wall_ms); return CALL_OK;
    case CALL_SAID_TAKE_OVER: take_over(c, say); return CALL_OK;
    case CALL_SAID_NOTE: return say->note[0] ? CALL_OK : CALL_ERR_EMPTY;
    default: return CALL_ERR_NOT_ASKED;
    }
}

/* whoever answers is who they said they were: what an electrician may is checked of each answer
 */
static bool is_holder(const struct call *c, const struct call_say *say)
{
    return strcmp(c->device, say->device) == 0 && c->as == say->as;
}

enum call_err call_take(struct call *c, const struct call_facts *f, const struct call_say *say,
                        int64_t wall_ms)
{
    if (say->by[0] == '\0')
        return CALL_ERR_EMPTY;
    if (c->stage == CALL_ENDED)
        return CALL_ERR_ENDED;
    enum call_err err = anytime(c, say, wall_ms);
    if (err == CALL_ERR_NOT_ASKED) {
        if (!is_holder(c, say))
            return CALL_ERR_HOLDER;
        bool behind = say->question + 1 == c->question;
        if (behind && say->answer == c->last_answer)
            return CALL_SAID_BEFORE;
        if (behind && say->answer == CALL_SAID_CONNECTED && c->stage == CALL_WATCH) {
            struct call_load *last = call_last_load(c); /* the meter saw it come first */
            text_copy(last->name, sizeof last->name, say->note);
            c->said_wall_ms = wall_ms;
            c->last_answer = say->answer;
            return CALL_OK;
        }
        if (say->question != c->question)
            return CALL_ERR_MOVED;
        if (!is_asked(c->stage, say->answer))
            return CALL_ERR_NOT_ASKED;
        err = answer(c, f, say, wall_ms);
    }
    if (err != CALL_OK)
        return err;
    c->said_wall_ms = wall_ms;
    c->waiting = false;
    c->last_answer = say->answer;
    return CALL_OK;
}
