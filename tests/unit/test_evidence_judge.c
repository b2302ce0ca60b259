/* evidence: what each piece weighs, and what is listed beside it */
#include "evidence_rig.h"

#include <stdlib.h>

/* The text of row `name` of the table of pieces in docs/method/trips.md; place: which of the
 * names in its first column it is, names: how many there are. */
static bool documented(const char *name, char *row, size_t size, int *place, int *names)
{
    FILE *f = fopen("docs/method/trips.md", "r");
    char quoted[64];
    bool found = false;
    snprintf(quoted, sizeof quoted, "`%s`", name);
    assert_non_null(f);
    while (!found && fgets(row, (int)size, f)) {
        const char *end = strncmp(row, "| `", 3) == 0 ? strchr(row + 2, '|') : NULL;
        const char *at = end ? strstr(row, quoted) : NULL;
        found = at && at < end;
        *place = *names = 0;
        for (const char *c = row; found && c < end; c++) {
            *names += *c == '`';
            *place += *c == '`' && c < at;
        }
    }
    fclose(f);
    *names /= 2;
    *place /= 2;
    return found;
}

/* the number of that place in a column of numbers; NaN: it has none, 0: "-" */
static double number_at(const char *column, int place)
{
    for (; place > 0; place--) {
        const char *comma = strchr(column, ',');
        if (!comma || comma > strchr(column, '|'))
            return (double)NAN;
        column = comma + 1;
    }
    return atof(column);
}

/* What was fitted (docs/method/trips_fit.py) is what is documented, and what judges. `silence`
 * and `came_back_after` are one piece, before its circuit is back and then. */
static void every_piece_weighs_what_is_documented(void **state)
{
    (void)state;
    for (int k = 0; k < EVIDENCE_PIECES; k++) {
        const struct evidence_piece *p = &evidence_pieces[k];
        char row[1024];
        int place, names;
        if (!documented(p->what, row, sizeof row, &place, &names))
            fail_msg("%s is not in the table", p->what);
        const char *open = strchr(strchr(row + 1, '|') + 1, '|') + 1,
                   *back = strchr(open, '|') + 1;
        bool halves = k == PIECE_SILENCE || k == PIECE_CAME_BACK;
        double said[2] = {number_at(open, halves ? 0 : place),
                          number_at(back, halves ? 0 : place)};
        if (halves)
            said[k == PIECE_SILENCE] = 0.0;
        if (fabs(p->open - said[0]) > 1e-9 || fabs(p->back - said[1]) > 1e-9)
            fail_msg("%s weighs %g and %g, documented are %g and %g", p->what, p->open, p->back,
                     said[0], said[1]);
    }
}

static double current_left(const struct fall_facts *f, const struct stillness_known *levels)
{
    struct falls h;
    struct evidence_list l;
    falls_init(&h);
    for (int k = 0; k < 8; k++)
        falls_low(&h, 0.04);
    evidence_judge(f, &h, levels, LOST, &l);
    return l.ratios[PIECE_CURRENT_LEFT];
}

/* docs/method/trips.md, current_left: "0.15 of it where stillness knows more, half where it
 * knows something" */
static void what_stillness_says_is_not_said_twice(void **state)
{
    struct stillness lost = {0}, off = {0};
    const struct stillness_known both = {&lost, &off, &nothing, (double)NAN},
                                 elsewhere = {&nothing, &nothing, &off, (double)NAN};
    struct fall_facts f = plain();
    struct stillness_seen seen = {0};
    (void)state;
    f.after_polls = 60;
    f.after_amps = f.after_rms = 0.02;
    stillness_see(&f.seen, 60 * 4e-4, 60 * 6.0 * 1.6e-7, 60);
    stillness_see(&seen, 900 * 4e-4, 900 * 6.0 * 1.6e-7, 900);
    for (int k = 0; k < 4; k++) {
        stillness_learn(&lost, &seen, STILLNESS_LOST_ODDS);
        stillness_learn(&off, &seen, STILLNESS_OFF_ODDS);
    }
    double alone = current_left(&f, &no_levels);
    assert_true(fabs(alone) > 0.5);
    assert_near(current_left(&f, &both), 0.15 * alone, 1e-9);
    assert_near(current_left(&f, &elsewhere), 0.5 * alone, 1e-9);
    f.seen.marks = 0; /* stillness has nothing to say yet */
    assert_near(current_left(&f, &elsewhere), alone, 1e-9);
}

static const struct event_evidence *listed(const struct evidence_list *l, const char *what)
{
    for (size_t k = 0; k < l->count; k++)
        if (strcmp(l->items[k].what, what) == 0)
            return &l->items[k];
    fail_msg("%s is not listed", what);
    return NULL;
}

/* beside each piece stands the number it was judged by, in the unit in which people speak of it
 */
static void a_piece_names_the_number_it_was_judged_by(void **state)
{
    struct falls h;
    struct evidence_list l;
    struct fall_facts f = plain();
    (void)state;
    falls_init(&h);
    ended_often(&h);
    evidence_judge(&f, &h, &no_levels, LOST, &l);
    assert_near(listed(&l, "usual_falls")->value, 86400.0 * evidence_natural_here(&f, &h),
                1e-9); /* a day */
    f.amps = 9.0;
    f.switch_on_amps = 2.0;
    f.switch_on_seconds = 1.0;
    f.local_seconds = 20000LL * 86400 + 15 * 3600 + 2; /* two seconds past three */
    evidence_judge(&f, &h, &no_levels, LOST, &l);
    assert_near(listed(&l, "openings_are_rare")->value, 0.1, 1e-9); /* a day */
    assert_near(listed(&l, "rest_went_too")->value, 7.0, 1e-9);     /* amps beside the 2 */
    assert_near(listed(&l, "switch_on_before")->value, 1.0, 1e-9);  /* seconds */
    f.local_seconds += 3600 - 2 + 40 * 60; /* 4.40 h: 2400 s into the hour */
    evidence_judge(&f, &h, &no_levels, LOST, &l);
    assert_near(listed(&l, "on_the_clock")->value, 2400.0, 1e-9);
    /* rare: against loads that mostly end after ten minutes (EVIDENCE_TYPICAL_END) */
    assert_near(l.ratios[PIECE_RARE], log(evidence_cold_per_second(LOST) * 600.0), 1e-9);
    /* of the sum, what the level says */
    f.after_polls = 60;
    f.after_amps = f.after_rms = 0.03;
    evidence_judge(&f, &h, &no_levels, LOST, &l);
    assert_near(evidence_levels(&l, false), listed(&l, "current_left")->log_ratio, 0.05);
}

/* docs/method/trips.md: "what speaks against a breaker that stays open speaks no further
 * against one that was reset at once", one in twenty-five */
static void a_reset_at_once_bounds_what_comes_later(void **state)
{
    struct falls h;
    struct evidence_list l;
    struct fall_facts f = plain();
    struct stillness lost = {0}, off = {0};
    const struct stillness_known known = {&lost, &off, &nothing, (double)NAN};
    struct stillness_seen still = {0};
    (void)state;
    falls_init(&h);
    stillness_see(&still, 900 * 3.6e-5, 900 * 6.0 * 3.6e-5 * 3.6e-5, 900);
    stillness_see(&f.seen, 900 * 4e-4, 900 * 6.0 * 1.6e-7, 900);
    for (int k = 0; k < 4; k++) {
        stillness_learn(&lost, &still, STILLNESS_LOST_ODDS);
        stillness_learn(&off, &f.seen, STILLNESS_OFF_ODDS);
    }
    f.after_polls = 900;
    f.after_amps = f.after_rms = 0.02; /* as with its loads off, from the first reading on */
    f.silent_seconds = 900.0;
    evidence_judge(&f, &h, &known, LOST, &l);
    const enum evidence_key later[] = {PIECE_CURRENT_LEFT, PIECE_STILLNESS, PIECE_SILENCE};
    double lasting = 0.0;
    for (int k = 0; k < 3; k++)
        lasting += evidence_pieces[later[k]].open * l.ratios[later[k]];
    assert_true(lasting < -6.0);
    assert_near(lasting + l.ratios[PIECE_RESET_AT_ONCE], log(0.04), 0.1);
    assert_near(listed(&l, "reset_at_once")->value, 900.0, 1e-9);
    double sum = l.sum;
    evidence_judge_levels(&f, &h, &known, &l); /* the same levels: nothing is said twice */
    assert_near(l.sum, sum, 1e-9);
    f.silent_seconds = 5.0; /* nobody is so quick */
    evidence_judge(&f, &h, &known, LOST, &l);
    assert_near(l.ratios[PIECE_RESET_AT_ONCE], log(0.96), 1e-9);
    f = plain(); /* and what speaks for it is not made less of */
    f.after_polls = 900;
    f.seen = still;
    f.after_amps = f.after_rms = 0.006;
    f.silent_seconds = 900.0;
    evidence_judge(&f, &h, &known, LOST, &l);
    assert_true(l.ratios[PIECE_STILLNESS] > 1.0);
    assert_in_range((int)(-1000.0 * l.ratios[PIECE_RESET_AT_ONCE]), 30, 41);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_piece_weighs_what_is_documented),
        cmocka_unit_test(what_stillness_says_is_not_said_twice),
        cmocka_unit_test(a_piece_names_the_number_it_was_judged_by),
        cmocka_unit_test(a_reset_at_once_bounds_what_comes_later),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
