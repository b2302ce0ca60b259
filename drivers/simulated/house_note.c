/* the words for what the simulated house did */
#include "house.h"

#include <stdio.h>

static const struct {
    const char *word;
    enum house_needs needs;
} acts[] = {
    [HOUSE_ACT_ON] = {"on", HOUSE_NEEDS_LOAD},
    [HOUSE_ACT_OFF] = {"off", HOUSE_NEEDS_LOAD},
    [HOUSE_ACT_FAULT] = {"fault", HOUSE_NEEDS_CIRCUIT},
    [HOUSE_ACT_OPEN] = {"open", HOUSE_NEEDS_CIRCUIT},
    [HOUSE_ACT_RESET] = {"reset", HOUSE_NEEDS_CIRCUIT},
    [HOUSE_ACT_OUTAGE] = {"outage", HOUSE_NEEDS_NOTHING},
    [HOUSE_ACT_LOSE_NEUTRAL] = {"lose_neutral", HOUSE_NEEDS_NOTHING},
    [HOUSE_ACT_HANDLE_OFF] = {"handle_off", HOUSE_NEEDS_CIRCUIT},
    [HOUSE_ACT_HANDLE_ON] = {"handle_on", HOUSE_NEEDS_CIRCUIT},
    [HOUSE_ACT_UNPLUG] = {"unplug", HOUSE_NEEDS_LOAD},
    [HOUSE_ACT_PLUG] = {"plug", HOUSE_NEEDS_LOAD},
    [HOUSE_ACT_BREAK] = {"break", HOUSE_NEEDS_LOAD},
    [HOUSE_ACT_REPAIR] = {"repair", HOUSE_NEEDS_LOAD},
    [HOUSE_ACT_SHORT] = {"short", HOUSE_NEEDS_CIRCUIT},
    [HOUSE_ACT_MEND] = {"mend", HOUSE_NEEDS_CIRCUIT},
};
_Static_assert(sizeof acts / sizeof acts[0] == HOUSE_ACTS, "an act without its word");

const char *house_act_name(enum house_act a)
{
    return acts[a].word;
}

enum house_needs house_act_needs(enum house_act a)
{
    return acts[a].needs;
}

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
    case HOUSE_DID_NOT_LATCH: return "did_not_latch";
    case HOUSE_UNPLUGGED: return "unplugged";
    case HOUSE_PLUGGED: return "plugged";
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
    case HOUSE_DID_NOT_LATCH:
        snprintf(out, capacity,
                 "%s does not stay on: tripped, it must go fully to OFF first, %s", where, id);
        return;
    case HOUSE_UNPLUGGED: snprintf(out, capacity, "%s unplugged, %s", load, id); return;
    case HOUSE_PLUGGED: snprintf(out, capacity, "%s plugged in, %s", load, id); return;
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
