/*
 * Any bytes as a register map: never a crash, and what is taken lies within the bounds that the
 * drivers rely on.
 */
#include "config/map_file.h"

#include <assert.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* libconfig 1.5 loses the text it is just reading when it stops at a syntax error: a few bytes
 * for each faulty file, in the library and out of our reach. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
    return "leak:strbuf_append\nleak:libconfig_yylex\n";
}

static void check_bounds(const struct meter_map *m)
{
    assert(m->max_registers >= 1 && m->max_registers <= 125 && m->point_count > 0);
    for (size_t i = 0; i < m->point_count; i++) {
        const struct meter_point *p = &m->points[i];
        int registers = meter_type_registers(p->type);
        assert(p->quantity < FRAME_QUANTITIES && (p->function == 3 || p->function == 4));
        assert(p->stride >= registers && registers <= m->max_registers);
        assert(p->address >= 0 &&
               p->address + (p->channels - 1) * p->stride + registers <= 65536);
        assert(p->first_channel >= 1 && p->channels >= 1);
        assert(p->first_channel + p->channels - 1 <= METER_MAP_MAX_CHANNELS);
        assert(p->scale_register >= -1 && p->scale_register <= 65535 && p->scale != 0.0);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    const struct config_text text = {"maps/x.cfg", (const char *)data, size};
    const struct config_source source = {.texts = &text, .count = 1};
    struct meter_map m;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    enum source_result result = map_file_read(&m, &source, "x", &faults);
    assert(result != SOURCE_ABSENT && (result == SOURCE_OPEN) == (faults.errors == 0));
    if (result == SOURCE_OPEN)
        check_bounds(&m);
    faults_free(&faults);
    return 0;
}
