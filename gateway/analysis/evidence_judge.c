#include "evidence.h"

#include <math.h>

/* Of the current that is left, where the level of what is read tells the same better, and where
 * it will but lost supplies were not read here yet; fitted. */
#define SAID_TWICE 0.15
#define PARTLY_SAID 0.5

#define RESET_AT_ONCE_SHARE 0.04 /* of breakers that opened: taken, nobody has counted them */

/* What the pieces are called on a trip sheet, and how much each counts in the sum: they are not
 * quite independent of each other, and not quite as sharp as they look. Learned by
 * docs/method/trips_fit.py, see docs/method/trips.md. */
const struct evidence_piece evidence_pieces[EVIDENCE_PIECES] = {
    [PIECE_RARE] = {"openings_are_rare", 1.0, 1.0},
    [PIECE_LOADS] = {"loads_vanished", 0.73, 0.87},
    [PIECE_AWAKE] = {"carried_before", -0.07, 0.16},
    [PIECE_USUAL_FALLS] = {"usual_falls", 0.71, 0.60},
    [PIECE_NO_SUCH_STEP] = {"no_such_step", 2.34, 1.78},
    [PIECE_HEAT] = {"breaker_heat", 1.00, 1.00},
    [PIECE_YOUNG] = {"just_switched_on", 1.70, 1.27},
    [PIECE_SWITCH_ON] = {"switch_on_before", 1.00, 1.00},
    [PIECE_REST_WENT] = {"rest_went_too", 1.08, 2.29},
    [PIECE_SURGE] = {"current_surge", 1.0, 1.0},
    [PIECE_AFTER_RESET] = {"after_reset", 1.0, 1.0},
    [PIECE_CLOCK] = {"on_the_clock", 1.27, 1.09},
    [PIECE_NIGHT] = {"off_at_night", 1.39, 1.12},
    [PIECE_STAGES] = {"fell_in_stages", 1.18, 1.00},
    [PIECE_CURRENT_LEFT] = {"current_left", 1.80, 1.30},
    [PIECE_STILLNESS] = {"stillness", 3.44, 2.71},
    [PIECE_SILENCE] = {"silence", 0.84, 0.00},
    [PIECE_CAME_BACK] = {"came_back_after", 0.00, 0.43},
    [PIECE_BACK_SOON] = {"back_too_soon", 0.00, 1.38},
    [PIECE_BACK_LESS] = {"back_with_less", 0.00, 0.75},
    [PIECE_RESET_AT_ONCE] = {"reset_at_once", 1.0, 1.0},
};

static const enum evidence_key level_pieces[] = {PIECE_CURRENT_LEFT, PIECE_STILLNESS};
#define LEVEL_PIECES (sizeof level_pieces / sizeof level_pieces[0])

/* What is weighed for a breaker that stays open for a while, as most do. */
static const enum evidence_key of_lasting[] = {PIECE_CURRENT_LEFT, PIECE_STILLNESS,
                                               PIECE_SILENCE, PIECE_CAME_BACK, PIECE_BACK_SOON};
#define OF_LASTING (sizeof of_lasting / sizeof of_lasting[0])

static double weight_of(unsigned key, bool back)
{
    return back ? evidence_pieces[key].back : evidence_pieces[key].open;
}

static double weighed(const struct evidence_list *l, const enum evidence_key *keys,
                      size_t count, bool back)
{
    double sum = 0.0;
    for (size_t k = 0; k < count; k++)
        sum += weight_of(keys[k], back) * l->ratios[keys[k]];
    return sum;
}

/* Some are reset at once: by how much the whole is likelier then than the pieces of those that
 * last say. */
static void add_reset_at_once(const struct fall_facts *f, const struct falls *h,
                              struct evidence_list *l)
{
    double lasting = weighed(l, of_lasting, OF_LASTING, f->back);
    double at_once =
        weight_of(PIECE_CAME_BACK, true) * evidence_reset_at_once(f, h); /* 0 while open */
    double ratio =
        log(1.0 - RESET_AT_ONCE_SHARE + RESET_AT_ONCE_SHARE * exp(at_once - lasting));
    l->ratios[PIECE_RESET_AT_ONCE] = ratio;
    evidence_add(l, evidence_pieces[PIECE_RESET_AT_ONCE].what, ratio, f->silent_seconds);
}

/* How much of the current that is left does not say the same as the level. */
static double unsaid(const struct fall_facts *f, const struct stillness_known *levels)
{
    if (stillness_knows(levels))
        return SAID_TWICE;
    return f->seen.marks > 0 && stillness_guesses(levels) ? PARTLY_SAID : 1.0;
}

static void fill(const struct fall_facts *f, const struct falls *h,
                 const struct stillness_known *levels, double lost,
                 double ratio[EVIDENCE_PIECES], double value[EVIDENCE_PIECES])
{
    const struct {
        double ratio, value;
    } piece[EVIDENCE_PIECES] = {
        [PIECE_RARE] = {log(evidence_cold_per_second(lost) / EVIDENCE_TYPICAL_END),
                        lost * 86400.0},
        [PIECE_LOADS] = {evidence_loads(f), f->loads},
        [PIECE_AWAKE] = {evidence_awake(f), f->awake_seconds},
        [PIECE_USUAL_FALLS] = {evidence_usual_falls(f, h),
                               evidence_natural_here(f, h) * 86400.0},
        [PIECE_NO_SUCH_STEP] = {evidence_no_such_step(f), f->ends_like},
        [PIECE_HEAT] = {evidence_heat(f, lost), f->heat.heat},
        [PIECE_YOUNG] = {evidence_at_switch_on(f), f->switch_on_seconds},
        [PIECE_SWITCH_ON] = {evidence_switch_on(f, h, lost), f->switch_on_seconds},
        [PIECE_REST_WENT] = {evidence_rest_went(f), f->amps - f->switch_on_amps},
        [PIECE_SURGE] = {evidence_surge(f, h, lost), f->amps},
        [PIECE_AFTER_RESET] = {evidence_after_reset(f), f->reset_seconds},
        [PIECE_CLOCK] = {evidence_on_the_clock(f), (double)(f->local_seconds % 3600)},
        [PIECE_NIGHT] = {evidence_habit(f, h, lost), falls_habit_per_day(h, f->local_seconds)},
        [PIECE_STAGES] = {evidence_staged(f), f->staged},
        [PIECE_CURRENT_LEFT] = {evidence_rest(f, h) * unsaid(f, levels), f->after_amps},
        [PIECE_STILLNESS] = {evidence_stillness(f, levels), f->after_rms},
        [PIECE_SILENCE] = {f->back ? 0.0 : evidence_silence(f, h), f->silent_seconds},
        [PIECE_CAME_BACK] = {f->back ? evidence_silence(f, h) : 0.0, f->silent_seconds},
        [PIECE_BACK_SOON] = {evidence_back_soon(f), f->silent_seconds},
        [PIECE_BACK_LESS] = {evidence_back_less(f), f->back_amps},
    };
    for (int k = 0; k < EVIDENCE_PIECES; k++) {
        ratio[k] = piece[k].ratio;
        value[k] = piece[k].value;
    }
}

void evidence_judge(const struct fall_facts *f, const struct falls *history,
                    const struct stillness_known *levels, double lost_per_second,
                    struct evidence_list *out)
{
    double value[EVIDENCE_PIECES];
    *out = (struct evidence_list){0};
    fill(f, history, levels, lost_per_second, out->ratios, value);
    for (int k = 0; k < PIECE_RESET_AT_ONCE; k++)
        evidence_add(out, evidence_pieces[k].what,
                     weight_of((unsigned)k, f->back) * out->ratios[k], value[k]);
    add_reset_at_once(f, history, out);
}

double evidence_levels(const struct evidence_list *l, bool back)
{
    return weighed(l, level_pieces, LEVEL_PIECES, back) + l->ratios[PIECE_RESET_AT_ONCE];
}

void evidence_judge_levels(const struct fall_facts *f, const struct falls *history,
                           const struct stillness_known *levels, struct evidence_list *l)
{
    const double ratio[LEVEL_PIECES] = {evidence_rest(f, history) * unsaid(f, levels),
                                        evidence_stillness(f, levels)};
    const double value[LEVEL_PIECES] = {f->after_amps, f->after_rms};
    for (size_t k = 0; k < LEVEL_PIECES; k++) {
        enum evidence_key key = level_pieces[k];
        l->ratios[key] = ratio[k];
        evidence_drop(l, evidence_pieces[key].what);
        evidence_add(l, evidence_pieces[key].what, weight_of(key, f->back) * ratio[k],
                     value[k]);
    }
    evidence_drop(l, evidence_pieces[PIECE_RESET_AT_ONCE].what);
    add_reset_at_once(f, history, l);
}
