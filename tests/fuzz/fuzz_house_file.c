/* Any bytes as a simulated house: never a crash, and never a refusal without a line that says
 * why. */
#include "drivers/simulated/house_file.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* libconfig 1.5 loses the text it is just reading when it stops at a syntax error: a few bytes
 * for each faulty file, in the library and out of our reach. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
    return "leak:strbuf_append\nleak:libconfig_yylex\n";
}

static void make_site(struct site *s)
{
    site_init(s);
    snprintf(site_add_panel(s)->id, SITE_ID_SIZE, "main");
    for (int i = 1; i <= 4; i++) {
        struct site_circuit *c = site_add_circuit(s);
        snprintf(c->id, sizeof c->id, "main-%02d", i);
        snprintf(c->leg, sizeof c->leg, i == 4 ? "AB" : "A");
        c->panel = 0;
        c->poles = i == 4 ? 2 : 1;
        c->breaker_amps = 15.0;
        c->meter = -1;
    }
    site_finish(s);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct site s;
    struct house_spec house;
    struct text faults = TEXT_INIT;
    char *content = malloc(size + 1);
    if (!content)
        abort();
    memcpy(content, data, size);
    content[size] = '\0';
    make_site(&s);
    bool good = house_file_parse(&house, "h.cfg", content, &s, &faults);
    if (!good && faults.length == 0)
        abort();
    if (good)
        house_spec_free(&house);
    text_free(&faults);
    site_free(&s);
    free(content);
    return 0;
}
