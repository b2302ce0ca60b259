/* What a centre, or somebody in its place, may ask of a simulated site: no crash, the answer is
 * JSON with the id that was given, and what is asked again lies within the record.
 *
 * Input: the verb up to a line end, then the payload. */
#include "fleet/sim_site.h"

#include <jansson.h>

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#define NOW INT64_C(1767254400000)
#define RECORDS 3

static void check_answer(const struct sim_answer *a)
{
    json_t *o = json_loads(text_get(&a->json), JSON_REJECT_DUPLICATES, NULL);
    if (!a->reply_to[0] || !json_is_string(json_object_get(o, "id")) ||
        json_is_true(json_object_get(o, "ok")) == json_is_string(json_object_get(o, "error")))
        abort();
    json_decref(o);
}

static void check_again(struct sim_site *s)
{
    struct text out = TEXT_INIT;
    if (s->again_from > RECORDS || s->again_to > RECORDS)
        abort();
    if (sim_site_has_again(s)) {
        sim_site_compose_again(s, &out);
        json_t *o = json_loads(text_get(&out), 0, NULL);
        if (json_array_size(json_object_get(o, "records")) != s->again_to - s->again_from)
            abort();
        json_decref(o);
    }
    text_free(&out);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    const uint8_t *end = size ? memchr(data, '\n', size) : NULL;
    size_t n = end ? (size_t)(end - data) : size;
    char *verb = strndup((const char *)data, n);
    struct sim_site s;
    struct sim_answer a;
    if (!verb)
        abort();
    sim_site_init(&s, 12, 1000);
    for (uint32_t i = 0; i < RECORDS; i++)
        if (!sim_site_add(&s, SIM_WARNED, i, NOW, NOW))
            abort();
    n += end != NULL;
    bool again = sim_site_command(&s, verb, data + n, size - n, NOW, &a);
    if (a.reply_to)
        check_answer(&a);
    if (again)
        check_again(&s);
    sim_answer_free(&a);
    sim_site_finish(&s);
    free(verb);
    return 0;
}
