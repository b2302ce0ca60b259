/* the words for what the simulated house did */
#include "house.h"

#include <stdio.h>

const char *house_note_name(enum house_note_kind kind)
{
    switch (kind) {
    case HOUSE_LOAD_ON: return "load_on";
    case HOUSE_LOAD_OFF: return "load_off";
    case HOUSE_LOAD_LOST: return "load_lost";
    case HOUSE_OPENED_BY_HEAT: return "opened_by_heat";
    case HOUSE_OPENED_BY_FAULT: return "opened_by_fault";
    case HOUSE_OPENED_BY_HAND: return "opened_by_hand";
    case HOUSE_RESET: return "reset";
    case HOUSE_CIRCUIT_DEAD: return "circuit_dead";
    case HOUSE_CIRCUIT_BACK: return "circuit_back";
    case HOUSE_OUTAGE: return "outage";
    case HOUSE_SUPPLY_BACK: return "supply_back";
    case HOUSE_NEUTRAL_LOST: return "neutral_lost";
    case HOUSE_NEUTRAL_BACK: return "neutral_back";
    }
    return "?";
}

void house_note_text(const struct site *site, const struct house_spec *spec,
                     const struct house_note *note, char *out, size_t capacity)
{
    const char *load = note->load >= 0 ? spec->loads[note->load].name : "";
    const char *id = note->circuit >= 0 ? site->circuits[note->circuit].id : "";
    char where[256] = "";
    if (note->circuit >= 0)
        site_describe_circuit(site, note->circuit, where, sizeof where);
    switch (note->kind) {
    case HOUSE_LOAD_ON:
        snprintf(out, capacity, "%s on (%.1f A), %s", load, note->amps, id);
        return;
    case HOUSE_LOAD_OFF:
        snprintf(out, capacity, "%s off after %.0f s (%.1f A), %s", load, note->seconds,
                 note->amps, id);
        return;
    case HOUSE_LOAD_LOST:
        snprintf(out, capacity, "%s: dead with the circuit (%.1f A), %s", load, note->amps, id);
        return;
    case HOUSE_OPENED_BY_HEAT:
        snprintf(out, capacity, "%s opened by heat at %.1f A, %s", where, note->amps, id);
        return;
    case HOUSE_OPENED_BY_FAULT:
        snprintf(out, capacity, "%s opened on a short circuit, %s", where, id);
        return;
    case HOUSE_OPENED_BY_HAND:
        snprintf(out, capacity, "somebody switched off %s at %.1f A, %s", where, note->amps,
                 id);
        return;
    case HOUSE_RESET:
        snprintf(out, capacity, "somebody reset %s after %.0f s, %s", where, note->seconds, id);
        return;
    case HOUSE_CIRCUIT_DEAD: snprintf(out, capacity, "%s has no supply, %s", where, id); return;
    case HOUSE_CIRCUIT_BACK:
        snprintf(out, capacity, "%s has supply again, %s", where, id);
        return;
    case HOUSE_OUTAGE: snprintf(out, capacity, "the utility's supply is gone"); return;
    case HOUSE_SUPPLY_BACK: snprintf(out, capacity, "the utility's supply is back"); return;
    case HOUSE_NEUTRAL_LOST: snprintf(out, capacity, "the service neutral is open"); return;
    case HOUSE_NEUTRAL_BACK:
        snprintf(out, capacity, "the service neutral is sound again");
        return;
    }
}
