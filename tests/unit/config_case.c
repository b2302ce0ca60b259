#include "config_case.h"

#include <stdlib.h>

const char config_case_site[] =
    "site = { id = \"maple-12\"; name = \"12 Maple Street\"; timezone = \"America/Chicago\";\n"
    "         standard = \"UL489\"; nominal_volts = 120.0; };\n"
    "panels = (\n"
    "  { id = \"main\"; name = \"Main panel\"; legs = 2; rating_amps = 200; },\n"
    "  { id = \"garage\"; name = \"Garage\"; legs = 2; rating_amps = 60; fed_by = \"main-14\"; "
    "}\n"
    ");\n"
    "buses = (\n"
    "  { id = \"rs485\"; device = \"/dev/ttyUSB0\"; baud = 19200; parity = \"even\"; },\n"
    "  { id = \"lan\"; host = \"127.0.0.1\"; port = 1502; }\n"
    ");\n"
    "meters = (\n"
    "  { id = \"m1\"; bus = \"lan\"; unit = 1; map = \"branch-meter-42\"; panel = \"main\"; "
    "},\n"
    "  { id = \"m2\"; bus = \"rs485\"; unit = 2; map = \"branch-meter-12\"; }\n"
    ");\n"
    "circuits = (\n"
    "  { id = \"main-07\"; panel = \"main\"; position = \"7\"; name = \"Upstairs bath\"; poles "
    "= 1;\n"
    "    leg = \"A\"; breaker_amps = 15; type = \"\"; meter = \"m1\"; channels = [ 7 ]; },\n"
    "  { id = \"main-14\"; panel = \"main\"; position = \"14,16\"; name = \"Garage feeder\"; "
    "poles = 2;\n"
    "    leg = \"AB\"; breaker_amps = 60; meter = \"m1\"; channels = [ 14, 16 ]; },\n"
    "  { id = \"garage-1\"; panel = \"garage\"; position = \"1\"; name = \"Bench\"; poles = "
    "1;\n"
    "    leg = \"B\"; breaker_amps = 20; meter = \"m2\"; channels = [ 1 ]; }\n"
    ");\n";

char *config_case_edit(const char *text, const char *from, const char *to)
{
    const char *at = strstr(text, from);
    if (!at)
        fail_msg("the text to edit has no `%s`", from);
    size_t before = (size_t)(at - text), length = strlen(text) - strlen(from) + strlen(to);
    char *out = malloc(length + 1);
    assert_non_null(out);
    snprintf(out, length + 1, "%.*s%s%s", (int)before, text, to, at + strlen(from));
    return out;
}

static bool has_error(const char *said)
{
    for (const char *line = said; *line; line = strchr(line, '\n') + 1) {
        const char *warning = strstr(line, ": warning: ");
        if (!warning || warning > strchr(line, '\n'))
            return true;
    }
    return false;
}

void config_case_run(const struct config_case *c, const struct config_text *others,
                     size_t count)
{
    char *site =
        config_case_edit(config_case_site, c->from ? c->from : "", c->from ? c->to : "");
    struct config_text texts[8] = {{"site.cfg", site, strlen(site)}};
    for (size_t i = 0; i < count && i < 7; i++)
        texts[i + 1] = others[i];
    struct config config;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct text out = TEXT_INIT;
    bool usable = config_load_memory(&config, texts, count + 1, &faults);
    faults_print(&faults, "", &out);
    if (strcmp(text_get(&out), c->said) != 0)
        fail_msg("`%s` -> `%s`:\n%swas said, wanted\n%s", c->from ? c->from : "",
                 c->from ? c->to : "", text_get(&out), c->said);
    if (usable == has_error(c->said))
        fail_msg("`%s` -> `%s`: usable is %d", c->from ? c->from : "", c->from ? c->to : "",
                 usable);
    if (usable)
        config_free(&config);
    faults_free(&faults);
    text_free(&out);
    free(site);
}
