/* The words of study.h. */
#include "study.h"

const char *study_kind_name(enum study_kind k)
{
    switch (k) {
    case STUDY_OPTIONAL: return "optional";
    case STUDY_EXISTING: return "existing";
    case STUDY_RECORDED: return "recorded";
    case STUDY_BRANCH: return "branch";
    case STUDY_DESIGN: return "design";
    }
    return "?";
}

const char *study_verdict_name(enum study_verdict v)
{
    switch (v) {
    case STUDY_NOTHING_ASKED: return "nothing_asked";
    case STUDY_FITS: return "fits";
    case STUDY_DOES_NOT_FIT: return "does_not_fit";
    case STUDY_UNDECIDED: return "undecided";
    }
    return "?";
}

const char *study_unit_name(enum study_unit u)
{
    switch (u) {
    case UNIT_VA: return "VA";
    case UNIT_AMPS: return "A";
    case UNIT_DAYS: return "d";
    case UNIT_CONDITION: return "condition";
    }
    return "?";
}

static const struct {
    const char *name, *text;
} items[STUDY_ITEMS] = {
    [ITEM_LIGHTING] = {"lighting", "general lighting and receptacles"},
    [ITEM_SMALL_APPLIANCES] = {"small_appliances", "small-appliance circuits"},
    [ITEM_LAUNDRY] = {"laundry", "laundry circuits"},
    [ITEM_LOAD] = {"load", "nameplate"},
    [ITEM_NEW_LOAD] = {"new_load", "nameplate, to be added"},
    [ITEM_GENERAL] = {"general", "general loads together"},
    [ITEM_FIRST] = {"first", "of these in full"},
    [ITEM_REST] = {"rest", "and of the rest"},
    [ITEM_AIR_CONDITIONING] = {"air_conditioning", "air conditioning"},
    [ITEM_HEAT_PUMP] = {"heat_pump", "heat pump, with its supplementary heat"},
    [ITEM_CENTRAL_HEAT] = {"central_heat", "central electric heat"},
    [ITEM_ROOM_HEAT] = {"room_heat", "heaters controlled separately"},
    [ITEM_STORAGE_HEAT] = {"storage_heat", "storage heat"},
    [ITEM_HEAT_OR_COOLING] = {"heat_or_cooling", "the larger of heating and cooling"},
    [ITEM_TOTAL] = {"total", "calculated load"},
    [ITEM_AMPS] = {"amps", "in amps"},
    [ITEM_MAXIMUM_DEMAND] = {"maximum_demand", "maximum demand, any 15 minutes, worse leg"},
    [ITEM_ALIGNED_DEMAND] = {"aligned_demand", "the same by quarters of the clock"},
    [ITEM_OTHER_LEG] = {"other_leg", "maximum demand of another leg"},
    [ITEM_ALL_LEGS] = {"all_legs", "maximum demand of all legs together"},
    [ITEM_UNRECORDED] = {"unrecorded", "not in the record, by calculation"},
    [ITEM_WITH_FACTOR] = {"with_factor", "the demand with its factor"},
    [ITEM_CONTINUOUS] = {"continuous", "of the demand, held for 3 h or more"},
    [ITEM_REST_OF_DEMAND] = {"rest_of_demand", "the rest of it"},
    [ITEM_ADDITION] = {"addition", "load to be added"},
    [ITEM_REQUIRED] = {"required", "together"},
    [ITEM_DEVICE_REQUIRED] = {"device_required", "with 125 % of what is continuous"},
    [ITEM_RATING] = {"rating", "rating"},
    [ITEM_AMPACITY] = {"ampacity", "ampacity of the conductors"},
    [ITEM_PLUG_LIMIT] = {"plug_limit", "most for one plug on a shared circuit"},
    [ITEM_FASTENED_LIMIT] = {"fastened_limit", "most fastened in place on a shared circuit"},
    [ITEM_DESIGN_CURRENT] = {"design_current", "design current Ib"},
    [ITEM_TRIPPING_CURRENT] = {"tripping_current", "conventional tripping current I2"},
    [ITEM_ROOM] = {"room", "largest load that could be added"},
    [ITEM_IF_YEAR] = {"if_year", "the record spans a year"},
    [ITEM_IF_DAYS] = {"if_days", "or 30 days of 15-minute demand"},
    [ITEM_IF_CONTINUOUS] = {"if_continuous", "without gaps of more than 15 minutes"},
    [ITEM_IF_WHOLE] = {"if_whole", "every circuit of it is measured"},
    [ITEM_IF_OCCUPIED] = {"if_occupied", "the home was occupied"},
    [ITEM_IF_SEASONAL] = {"if_seasonal", "heating or cooling and seasonal loads are in it"},
    [ITEM_IF_NO_PEAKS_CUT] = {"if_no_peaks_cut", "no photovoltaics, wind or peak shaving"},
    [ITEM_IF_LEAST_SERVICE] = {"if_least_service",
                               "the service is large enough for this method"},
    [ITEM_IF_FITS] = {"if_fits", "within the rating"},
    [ITEM_IF_DEVICE_FITS] = {"if_device_fits", "within the rating, continuous loads at 125 %"},
    [ITEM_IF_CONDUCTOR_FITS] = {"if_conductor_fits", "within what the conductors carry"},
    [ITEM_IF_PLUG_FITS] = {"if_plug_fits", "small enough for a plug there"},
    [ITEM_IF_FASTENED_FITS] = {"if_fastened_fits", "small enough to be fastened there"},
    [ITEM_IF_TRIPPING_FITS] = {"if_tripping_fits", "I2 at most 1.45 times what they carry"},
};

const char *study_item_name(enum study_item i)
{
    return items[i].name;
}

const char *study_item_text(enum study_item i)
{
    return items[i].text;
}
