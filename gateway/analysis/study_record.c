/* .87 and "may I add": what the record says, and a load on top of it. */
#include "study.h"

#include "study_sheet.h"

#include "base/text.h"

#include <math.h>
#include <stdio.h>

#define YEAR_DAYS 365.0
#define MOST_GAP_MINUTES 15.0
#define TRIPPING_MULTIPLE 1.45 /* I2 <= 1.45 Iz */
#define SMALL_CIRCUIT_AMPS 20  /* 210.23: of 15 and 20 A */
#define IEC_SECTION "60364-4-43 433.1"

/* the demand of the worse leg, cut in what is continuous and what is not */
struct existing {
    double amps, continuous_amps;
};

/* volts: of a leg; legs: their letters, in the demand's order */
static struct existing add_demand(struct study_sheet *t, const struct study_record *r,
                                  double volts, const char *legs, const char *section)
{
    struct existing x = {(double)NAN, 0.0};
    int leg = demand_worse_leg(&r->demand);
    if (leg < 0) {
        sheet_add(t, ITEM_MAXIMUM_DEMAND, UNIT_AMPS, (double)NAN, section, NULL);
        t->verdict = STUDY_UNDECIDED;
        return x;
    }
    const struct demand_leg *l = &r->demand.leg[leg];
    x.amps = l->sliding_amps;
    if (r->demand.legs > 1)
        sheet_add(t, ITEM_MAXIMUM_DEMAND, UNIT_AMPS, x.amps, section, "leg %c", legs[leg]);
    else
        sheet_add(t, ITEM_MAXIMUM_DEMAND, UNIT_AMPS, x.amps, section, NULL);
    sheet_add(t, ITEM_ALIGNED_DEMAND, UNIT_AMPS, l->aligned_amps, section, NULL);
    for (int i = 0; i < r->demand.legs; i++)
        if (i != leg)
            sheet_add(t, ITEM_OTHER_LEG, UNIT_AMPS, r->demand.leg[i].sliding_amps, NULL,
                      "leg %c", legs[i]);
    if (r->demand.legs > 1)
        sheet_add(t, ITEM_ALL_LEGS, UNIT_VA, volts * r->demand.most_amps, NULL, "%.6g x %.2f",
                  volts, r->demand.most_amps);
    if (!isnan(l->continuous_amps))
        x.continuous_amps = fmin(l->continuous_amps, x.amps);
    return x;
}

/* 125 % of what is on for three hours, 100 % of the rest, and the addition in its way */
static double add_device(struct study_sheet *t, enum study_item item, const struct existing *x,
                         const struct study_addition *a, double factor, const char *section)
{
    double rest = x->amps - x->continuous_amps,
           on_top = (a->continuous ? factor : 1.0) * a->amps;
    char added[STUDY_SUM_SIZE];
    if (a->continuous)
        snprintf(added, sizeof added, "%.4g x %.2f", factor, a->amps);
    else
        snprintf(added, sizeof added, "%.2f", a->amps);
    return sheet_add(t, item, UNIT_AMPS, rest + factor * x->continuous_amps + on_top, section,
                     "%.2f + %.4g x %.2f + %s", rest, factor, x->continuous_amps, added);
}

static double room(double rating, double used, double factor)
{
    return fmax(0.0, (rating - used) / factor);
}

/* ---- .87 ---- */

static void add_conditions(struct study_sheet *t, const struct load_study *l,
                           const struct code_edition *e, const struct study_record *r)
{
    char at[STUDY_SECTION_SIZE], exception[STUDY_SECTION_SIZE];
    const struct demand *d = &r->demand;
    double days = (double)(d->last_wall_ms - d->first_wall_ms) / 86400000.0;
    bool year = days >= YEAR_DAYS;
    sheet_section(e, ".87(1)", at);
    sheet_section(e, ".87 Ex.", exception);
    sheet_condition(t, ITEM_IF_YEAR, year, false, at, "%.1f >= %.0f", days, YEAR_DAYS);
    if (!year) {
        sheet_condition(t, ITEM_IF_DAYS, days >= e->recorded_days, false, exception,
                        "%.1f >= %d", days, e->recorded_days);
        if (days < e->recorded_days && t->verdict == STUDY_FITS)
            t->verdict = STUDY_UNDECIDED;
    }
    double measured = days > 0.0 ? d->minutes / 14.4 / days : 0.0; /* percent */
    bool gapless = d->minutes > 0.0 && d->longest_gap_minutes <= MOST_GAP_MINUTES;
    sheet_condition(t, ITEM_IF_CONTINUOUS, gapless ? 1.0 : (double)NAN, true,
                    year ? at : exception, "%.2f %%, %.0f min", measured,
                    d->longest_gap_minutes);
    sheet_condition(t, ITEM_IF_WHOLE, r->whole ? 1.0 : (double)NAN, true, at, NULL);
    sheet_condition(t, ITEM_IF_SEASONAL,
                    l->seasonal_recorded || l->unrecorded_va > 0.0 || year ? 1.0 : (double)NAN,
                    true, year ? at : exception, NULL);
    if (year)
        return;
    sheet_condition(t, ITEM_IF_OCCUPIED, l->occupied ? 1.0 : (double)NAN, true, exception,
                    NULL);
    bool cut = l->peaks_cut || r->flows_back;
    sheet_condition(t, ITEM_IF_NO_PEAKS_CUT, !cut, false, exception, NULL);
    if (cut && t->verdict == STUDY_FITS)
        t->verdict = STUDY_UNDECIDED; /* the exception may not be used */
}

void study_recorded(const struct load_study *l, const struct site *s, int panel,
                    const struct study_record *r, const struct study_addition *a,
                    struct study_sheet *out)
{
    const struct code_edition *e = &l->editions[l->edition];
    const struct site_panel *p = &s->panels[panel];
    char one[STUDY_SECTION_SIZE], two[STUDY_SECTION_SIZE];
    const char *device = p->fed_by >= 0 ? "215.3" : "230.42(A)";
    double ampacity = load_study_ampacity(l, s, -1, panel);
    *out = (struct study_sheet){.kind = STUDY_RECORDED,
                                .panel = panel,
                                .circuit = -1,
                                .total_va = (double)NAN,
                                .room_amps = (double)NAN,
                                .verdict = STUDY_FITS};
    text_copy(out->edition, sizeof out->edition, e->id);
    sheet_section(e, ".87", out->section);
    sheet_section(e, ".87(1)", one);
    sheet_section(e, ".87(2)", two);
    struct existing x = add_demand(out, r, s->nominal_volts, "ABC", one);
    if (!isnan(x.amps) && l->unrecorded_va > 0.0 && !l->seasonal_recorded) {
        double volts = s->nominal_volts * (p->legs >= 2 ? p->legs : 1);
        x.amps += sheet_add(out, ITEM_UNRECORDED, UNIT_AMPS, l->unrecorded_va / volts, one,
                            "%.6g / %.6g", l->unrecorded_va, volts);
    }
    double grown = sheet_add(out, ITEM_WITH_FACTOR, UNIT_AMPS, e->recorded_factor * x.amps, two,
                             "%.4g x %.2f", e->recorded_factor, x.amps);
    sheet_add(out, ITEM_ADDITION, UNIT_AMPS, a->amps, NULL, NULL);
    out->total_amps = sheet_add(out, ITEM_REQUIRED, UNIT_AMPS, grown + a->amps, two,
                                "%.2f + %.2f", grown, a->amps);
    out->rating_amps = sheet_panel_rating(s, panel);
    sheet_add(out, ITEM_RATING, UNIT_AMPS, out->rating_amps, NULL, NULL);
    double limit = out->rating_amps;
    if (!isnan(ampacity)) {
        sheet_add(out, ITEM_AMPACITY, UNIT_AMPS, ampacity, two, NULL);
        limit = fmin(limit, ampacity);
    }
    sheet_hold_against(out, ITEM_IF_FITS, out->total_amps, limit, two);
    sheet_add(out, ITEM_CONTINUOUS, UNIT_AMPS, x.continuous_amps, "100", NULL);
    double required =
        add_device(out, ITEM_DEVICE_REQUIRED, &x, a, e->continuous_factor, device);
    sheet_hold_against(out, ITEM_IF_DEVICE_FITS, required, limit, device);
    if (!isnan(x.amps)) {
        double other = x.amps + (e->continuous_factor - 1.0) * x.continuous_amps;
        out->room_amps =
            sheet_add(out, ITEM_ROOM, UNIT_AMPS,
                      fmin(room(limit, grown, 1.0),
                           room(limit, other, a->continuous ? e->continuous_factor : 1.0)),
                      two, NULL);
    }
    add_conditions(out, l, e, r);
    if (a->amps <= 0.0 && out->verdict == STUDY_FITS)
        out->verdict = STUDY_NOTHING_ASKED;
}

/* ---- a branch circuit ---- */

static void add_shared(struct study_sheet *t, const struct code_edition *e,
                       const struct site_circuit *c, const struct study_addition *a)
{
    bool small = c->breaker_amps <= SMALL_CIRCUIT_AMPS;
    if (!small || a->dedicated || c->feeds == SITE_FEEDS_ONE || a->amps <= 0.0)
        return;
    double share = a->fastened ? e->fastened_share : e->plug_share;
    const char *section = a->fastened ? e->fastened_section : e->plug_section;
    double limit = sheet_add(t, a->fastened ? ITEM_FASTENED_LIMIT : ITEM_PLUG_LIMIT, UNIT_AMPS,
                             share * c->breaker_amps, section, "%.4g %% x %.4g", 100.0 * share,
                             c->breaker_amps);
    double fastened = a->fastened ? c->fastened_amps + a->amps : a->amps;
    sheet_hold_against(t, a->fastened ? ITEM_IF_FASTENED_FITS : ITEM_IF_PLUG_FITS, fastened,
                       limit, section);
}

void study_branch(const struct load_study *l, const struct site *s, int circuit,
                  const struct study_record *r, const struct study_addition *a,
                  struct study_sheet *out)
{
    const struct code_edition *e = &l->editions[l->edition];
    const struct site_circuit *c = &s->circuits[circuit];
    double ampacity = load_study_ampacity(l, s, circuit, -1);
    double factor = c->full_rated ? 1.0 : e->continuous_factor;
    *out = (struct study_sheet){.kind = STUDY_BRANCH,
                                .panel = c->panel,
                                .circuit = circuit,
                                .total_va = (double)NAN,
                                .room_amps = (double)NAN,
                                .rating_amps = c->breaker_amps,
                                .verdict = STUDY_FITS};
    text_copy(out->edition, sizeof out->edition, e->id);
    text_copy(out->section, sizeof out->section, "210.20(A)");
    struct existing x = add_demand(out, r, s->nominal_volts, c->leg, NULL);
    sheet_add(out, ITEM_CONTINUOUS, UNIT_AMPS, x.continuous_amps, "100", NULL);
    sheet_add(out, ITEM_ADDITION, UNIT_AMPS, a->amps, NULL, NULL);
    out->total_amps = add_device(out, ITEM_REQUIRED, &x, a, factor, "210.20(A)");
    sheet_add(out, ITEM_RATING, UNIT_AMPS, c->breaker_amps, NULL, NULL);
    sheet_hold_against(out, ITEM_IF_FITS, out->total_amps, c->breaker_amps, "210.20(A)");
    double limit = c->breaker_amps;
    if (!isnan(ampacity)) {
        sheet_add(out, ITEM_AMPACITY, UNIT_AMPS, ampacity, "210.19(A)", NULL);
        sheet_hold_against(out, ITEM_IF_CONDUCTOR_FITS, out->total_amps, ampacity, "210.19(A)");
        limit = fmin(limit, ampacity);
    }
    add_shared(out, e, c, a);
    if (!isnan(x.amps))
        out->room_amps = sheet_add(out, ITEM_ROOM, UNIT_AMPS,
                                   room(limit, x.amps + (factor - 1.0) * x.continuous_amps,
                                        a->continuous ? factor : 1.0),
                                   "210.20(A)", NULL);
    if (a->amps <= 0.0 && out->verdict == STUDY_FITS)
        out->verdict = STUDY_NOTHING_ASKED;
}

/* ---- IEC 60364 ---- */

void study_design(const struct load_study *l, const struct site *s, int circuit, int panel,
                  const struct study_record *r, const struct study_addition *a,
                  struct study_sheet *out)
{
    double in = circuit >= 0 ? s->circuits[circuit].breaker_amps : sheet_panel_rating(s, panel);
    double iz = load_study_ampacity(l, s, circuit, circuit >= 0 ? -1 : panel);
    *out = (struct study_sheet){.kind = STUDY_DESIGN,
                                .panel = circuit >= 0 ? s->circuits[circuit].panel : panel,
                                .circuit = circuit,
                                .total_va = (double)NAN,
                                .room_amps = (double)NAN,
                                .rating_amps = in,
                                .verdict = STUDY_FITS};
    text_copy(out->section, sizeof out->section, IEC_SECTION);
    struct existing x = add_demand(out, r, s->nominal_volts,
                                   circuit >= 0 ? s->circuits[circuit].leg : "ABC", NULL);
    sheet_add(out, ITEM_ADDITION, UNIT_AMPS, a->amps, NULL, NULL);
    out->total_amps = sheet_add(out, ITEM_DESIGN_CURRENT, UNIT_AMPS, x.amps + a->amps,
                                IEC_SECTION, "%.2f + %.2f", x.amps, a->amps);
    sheet_add(out, ITEM_RATING, UNIT_AMPS, in, NULL, "In");
    sheet_hold_against(out, ITEM_IF_FITS, out->total_amps, in, IEC_SECTION);
    sheet_add(out, ITEM_AMPACITY, UNIT_AMPS, iz, NULL, "Iz");
    sheet_hold_against(out, ITEM_IF_CONDUCTOR_FITS, in, iz, IEC_SECTION);
    if (isnan(iz) && out->verdict == STUDY_FITS)
        out->verdict = STUDY_UNDECIDED;
    sheet_add(out, ITEM_TRIPPING_CURRENT, UNIT_AMPS, TRIPPING_MULTIPLE * in, IEC_SECTION,
              "%.4g x %.4g", TRIPPING_MULTIPLE, in);
    sheet_hold_against(out, ITEM_IF_TRIPPING_FITS, TRIPPING_MULTIPLE * in,
                       TRIPPING_MULTIPLE * iz, IEC_SECTION);
    if (!isnan(x.amps))
        out->room_amps =
            sheet_add(out, ITEM_ROOM, UNIT_AMPS, room(in, x.amps, 1.0), IEC_SECTION, NULL);
    if (circuit < 0 && !r->whole && out->verdict == STUDY_FITS)
        out->verdict = STUDY_UNDECIDED;
    if (a->amps <= 0.0 && out->verdict == STUDY_FITS)
        out->verdict = STUDY_NOTHING_ASKED;
}
