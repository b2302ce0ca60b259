#include "meter_map.h"

#include <stdlib.h>
#include <string.h>

int meter_type_registers(enum meter_type type)
{
    switch (type) {
    case METER_U16:
    case METER_S16: return 1;
    case METER_U32:
    case METER_S32:
    case METER_F32: return 2;
    case METER_U64:
    case METER_S64: return 4;
    }
    return 1;
}

const char *meter_type_name(enum meter_type type)
{
    switch (type) {
    case METER_U16: return "u16";
    case METER_S16: return "s16";
    case METER_U32: return "u32";
    case METER_S32: return "s32";
    case METER_U64: return "u64";
    case METER_S64: return "s64";
    case METER_F32: return "f32";
    }
    return "?";
}

const char *meter_order_name(enum meter_order order)
{
    switch (order) {
    case METER_ABCD: return "ABCD";
    case METER_CDAB: return "CDAB";
    case METER_BADC: return "BADC";
    case METER_DCBA: return "DCBA";
    }
    return "?";
}

const struct meter_map *meter_map_find(const struct meter_map_set *set, const char *id)
{
    for (size_t i = 0; i < set->count; i++)
        if (strcmp(set->maps[i].id, id) == 0)
            return &set->maps[i];
    return NULL;
}

void meter_map_set_free(struct meter_map_set *set)
{
    free(set->maps);
    *set = (struct meter_map_set){0};
}
