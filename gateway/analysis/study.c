/* .82 and .83: dwellings by nameplate. */
#include "study.h"

#include "study_sheet.h"

#include "base/text.h"

#include <math.h>

static bool is_heat_or_cooling(enum dwelling_load_kind k)
{
    return k != DWELLING_APPLIANCE && k != DWELLING_VEHICLE;
}

/* what one kind of heating and cooling comes to, and in how many units */
static double sum_of(const struct dwelling *d, enum dwelling_load_kind kind, int *count)
{
    double va = 0.0;
    for (size_t i = 0; i < d->load_count; i++) {
        const struct dwelling_load *l = &d->loads[i];
        if (l->kind != kind)
            continue;
        va += l->va * l->count;
        if (count)
            *count += l->count;
    }
    return va;
}

static void name_last(struct study_sheet *t, const char *name)
{
    text_copy(t->steps[t->step_count - 1].name, SITE_NAME_SIZE, name);
}

static double add_load(struct study_sheet *t, const struct code_edition *e,
                       const struct dwelling_load *l, const char *section)
{
    enum study_item item = l->is_new ? ITEM_NEW_LOAD : ITEM_LOAD;
    double each = l->va;
    char at[STUDY_SECTION_SIZE];
    if (l->kind == DWELLING_VEHICLE && each < e->vehicle_least_va) {
        each = e->vehicle_least_va;
        section = sheet_section(e, ".57", at);
    }
    if (l->count > 1)
        sheet_add(t, item, UNIT_VA, each * l->count, section, "%d x %.6g", l->count, each);
    else
        sheet_add(t, item, UNIT_VA, each, section, NULL);
    name_last(t, l->name);
    return each * l->count;
}

/* which heating and cooling counts with the general loads */
enum with { WITH_NONE, WITH_ROOM_HEAT, WITH_ALL };

/* lighting, the circuits everybody has, appliances */
static double add_general(struct study_sheet *t, const struct code_edition *e,
                          const struct dwelling *d, const char *section, enum with with)
{
    int small = d->small_appliance_circuits > e->least_small_appliance_circuits
                    ? d->small_appliance_circuits
                    : e->least_small_appliance_circuits;
    double va = sheet_add(t, ITEM_LIGHTING, UNIT_VA, e->dwelling_va_per_ft2 * d->floor_ft2,
                          section, "%.6g x %.6g", e->dwelling_va_per_ft2, d->floor_ft2);
    va += sheet_add(t, ITEM_SMALL_APPLIANCES, UNIT_VA, e->small_appliance_va * small, section,
                    "%d x %.6g", small, e->small_appliance_va);
    va += sheet_add(t, ITEM_LAUNDRY, UNIT_VA, e->laundry_va * d->laundry_circuits, section,
                    "%d x %.6g", d->laundry_circuits, e->laundry_va);
    for (size_t i = 0; i < d->load_count; i++)
        if (with == WITH_ALL || !is_heat_or_cooling(d->loads[i].kind) ||
            (with == WITH_ROOM_HEAT && d->loads[i].kind == DWELLING_ROOM_HEAT))
            va += add_load(t, e, &d->loads[i], section);
    return sheet_add(t, ITEM_GENERAL, UNIT_VA, va, section, NULL);
}

/* so much in full, a share of the rest */
static double add_steps(struct study_sheet *t, double va, double first_va, double share,
                        const char *section)
{
    double first = fmin(va, first_va), rest = fmax(va - first_va, 0.0);
    sheet_add(t, ITEM_FIRST, UNIT_VA, first, section, "100 %% x %.6g", first);
    sheet_add(t, ITEM_REST, UNIT_VA, share * rest, section, "%.4g %% x %.6g", 100.0 * share,
              rest);
    return first + share * rest;
}

struct larger {
    struct study_sheet *t;
    double va;
};

/* one of those of which only the largest counts */
static void offer(struct larger *x, enum study_item item, double va, double share,
                  const char *section)
{
    if (va <= 0.0)
        return;
    x->va = fmax(x->va, share * va);
    sheet_add(x->t, item, UNIT_VA, share * va, section, "%.4g %% x %.6g", 100.0 * share, va);
}

static void offer_heat_pump(struct larger *x, double pump, double supplement, double share,
                            const char *section)
{
    if (pump + supplement <= 0.0)
        return;
    x->va = fmax(x->va, pump + share * supplement);
    sheet_add(x->t, ITEM_HEAT_PUMP, UNIT_VA, pump + share * supplement, section,
              supplement > 0.0 ? "%.6g + %.4g %% x %.6g" : "%.6g", pump, 100.0 * share,
              supplement);
}

static void end(struct study_sheet *t, const struct site *s, const struct dwelling *d,
                double va, const char *section)
{
    t->total_va = sheet_add(t, ITEM_TOTAL, UNIT_VA, va, section, NULL);
    t->total_amps =
        sheet_add(t, ITEM_AMPS, UNIT_AMPS, va / d->volts, NULL, "%.6g / %.6g", va, d->volts);
    t->rating_amps = sheet_panel_rating(s, d->panel);
    t->room_amps = t->rating_amps - t->total_amps;
    sheet_add(t, ITEM_RATING, UNIT_AMPS, t->rating_amps, NULL, NULL);
    sheet_hold_against(t, ITEM_IF_FITS, t->total_amps, t->rating_amps, section);
}

static void begin(struct study_sheet *t, enum study_kind kind, const struct code_edition *e,
                  const struct dwelling *d, const char *section)
{
    *t = (struct study_sheet){
        .kind = kind, .panel = d->panel, .circuit = -1, .verdict = STUDY_FITS};
    text_copy(t->edition, sizeof t->edition, e->id);
    sheet_section(e, section, t->section);
}

void study_optional(const struct code_edition *e, const struct site *s,
                    const struct dwelling *d, struct study_sheet *out)
{
    char a[STUDY_SECTION_SIZE], b[STUDY_SECTION_SIZE], c[STUDY_SECTION_SIZE];
    struct larger most = {out, 0.0};
    int heaters = 0;
    begin(out, STUDY_OPTIONAL, e, d, ".82");
    sheet_section(e, ".82(A)", a);
    sheet_section(e, ".82(B)", b);
    sheet_section(e, ".82(C)", c);
    double general = add_steps(out, add_general(out, e, d, b, WITH_NONE), e->optional_first_va,
                               e->optional_rest, b);
    offer(&most, ITEM_AIR_CONDITIONING, sum_of(d, DWELLING_AIR_CONDITIONING, NULL), 1.0, c);
    offer_heat_pump(&most, sum_of(d, DWELLING_HEAT_PUMP, NULL),
                    sum_of(d, DWELLING_HEAT_SUPPLEMENT, NULL), e->heat_supplement, c);
    offer(&most, ITEM_CENTRAL_HEAT, sum_of(d, DWELLING_CENTRAL_HEAT, NULL), e->central_heat, c);
    double rooms = sum_of(d, DWELLING_ROOM_HEAT, &heaters);
    offer(&most, ITEM_ROOM_HEAT, rooms,
          heaters >= e->many_heaters_from ? e->many_heaters : e->few_heaters, c);
    offer(&most, ITEM_STORAGE_HEAT, sum_of(d, DWELLING_STORAGE_HEAT, NULL), 1.0, c);
    sheet_add(out, ITEM_HEAT_OR_COOLING, UNIT_VA, most.va, c, NULL);
    end(out, s, d, general + most.va, b);
    double least = e->optional_least_amps;
    sheet_condition(out, ITEM_IF_LEAST_SERVICE, out->rating_amps >= least, false, a,
                    "%.6g >= %.6g", out->rating_amps, least);
    if (out->rating_amps < least && out->verdict == STUDY_FITS)
        out->verdict = STUDY_UNDECIDED; /* the method may not be used */
}

/* (A): nothing new heats or cools, and everything counts alike; what is there and heats or
 * cools is counted too, though the section's list does not name it. (B): heating and cooling
 * apart, in full; many heaters controlled separately count with the others. */
void study_existing(const struct code_edition *e, const struct site *s,
                    const struct dwelling *d, struct study_sheet *out)
{
    char section[STUDY_SECTION_SIZE];
    struct larger most = {out, 0.0};
    bool new_heat = false;
    int heaters = 0;
    double rooms = sum_of(d, DWELLING_ROOM_HEAT, &heaters);
    bool many = heaters >= e->many_heaters_from;
    for (size_t i = 0; i < d->load_count; i++)
        new_heat |= d->loads[i].is_new && is_heat_or_cooling(d->loads[i].kind);
    begin(out, STUDY_EXISTING, e, d, new_heat ? ".83(B)" : ".83(A)");
    text_copy(section, sizeof section, out->section);
    enum with with = !new_heat ? WITH_ALL : many ? WITH_ROOM_HEAT : WITH_NONE;
    double general = add_steps(out, add_general(out, e, d, section, with), e->existing_first_va,
                               e->existing_rest, section);
    if (new_heat) {
        offer(&most, ITEM_AIR_CONDITIONING, sum_of(d, DWELLING_AIR_CONDITIONING, NULL), 1.0,
              section);
        offer_heat_pump(&most, sum_of(d, DWELLING_HEAT_PUMP, NULL),
                        sum_of(d, DWELLING_HEAT_SUPPLEMENT, NULL), 1.0, section);
        offer(&most, ITEM_CENTRAL_HEAT, sum_of(d, DWELLING_CENTRAL_HEAT, NULL), 1.0, section);
        offer(&most, ITEM_ROOM_HEAT, many ? 0.0 : rooms, 1.0, section);
        offer(&most, ITEM_STORAGE_HEAT, sum_of(d, DWELLING_STORAGE_HEAT, NULL), 1.0, section);
        sheet_add(out, ITEM_HEAT_OR_COOLING, UNIT_VA, most.va, section, NULL);
    }
    end(out, s, d, general + most.va, section);
}
