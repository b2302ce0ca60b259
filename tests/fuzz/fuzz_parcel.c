/* What a site, or somebody in its place, may publish on `up`: no crash, and either a parcel
 * within its bounds, whose records' texts are JSON by themselves, or a sentence. */
#include "fleet/parcel.h"

#include <jansson.h>

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void check_record(const struct parcel *p, size_t i)
{
    const struct parcel_record *r = &p->records[i];
    json_t *o = json_loads(r->json, 0, NULL);
    if (!o || json_integer_value(json_object_get(o, "seq")) != r->seq ||
        strcmp(json_string_value(json_object_get(o, "type")), r->type) != 0)
        abort();
    json_decref(o);
    if (r->seq <= p->after || r->seq > p->to || (i > 0 && r->seq <= r[-1].seq))
        abort();
    if (r->kind == PARCEL_ALARM && (!r->subject[0] || !r->what[0] || !r->state[0]))
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct parcel p;
    char why[PARCEL_WHY_SIZE] = "";
    if (!parcel_read(&p, "maple-12", data, size, why)) {
        if (why[0] == '\0' || !memchr(why, '\0', sizeof why))
            abort();
        return 0;
    }
    if (p.count > PARCEL_MAX_RECORDS || p.to < p.after || !site_id_valid(p.site))
        abort();
    for (size_t i = 0; i < p.count; i++)
        check_record(&p, i);
    parcel_free(&p);
    return 0;
}
