/* study.cfg and editions.cfg: what is said of a faulty one, word for word */
#include "config_case.h"

static void say(const char *name, const char *text, const char *said)
{
    const struct config_text other = {name, text, strlen(text)};
    const struct config_case unchanged = {NULL, NULL, said};
    config_case_run(&unchanged, &other, 1);
}

static void studies_that_cannot_be(void **state)
{
    static const struct {
        const char *file, *text, *said;
    } cases[] = {
        {"study.cfg", "", ""},
        {"study.cfg", "study = { edition = \"1999\"; };",
         "study.cfg:1: edition = \"1999\": there is no such one in editions.cfg\n"},
        {"study.cfg", "dwellings = ( { panel = \"mian\"; floor_ft2 = 1500; } );",
         "study.cfg:1: panel = \"mian\": site.cfg has no panel of that id; did you mean "
         "\"main\"?\n"},
        {"study.cfg", "dwellings = ( { panel = \"main\"; } );",
         "study.cfg:1: a dwelling has no floor_ft2; add floor_ft2 = a number: floor area, "
         "square feet, outside dimensions\n"},
        {"study.cfg",
         "dwellings = ( { panel = \"main\"; floor_ft2 = 900; },\n"
         " { panel = \"main\"; floor_ft2 = 900; } );",
         "study.cfg:2: there is a dwelling of panel \"main\" already\n"},
        {"study.cfg",
         "dwellings = ( { panel = \"main\"; floor_ft2 = 900; loads = ( { name = \"Car\"; "
         "kind = \"car\"; va = 1; } ); } );",
         "study.cfg:1: kind = \"car\" is not known; it is \"appliance\", \"vehicle\", "
         "\"air_conditioning\", \"heat_pump\", \"heat_supplement\", \"central_heat\", "
         "\"room_heat\" or \"storage_heat\"\n"},
        {"study.cfg", "conductors = ( { ampacity_amps = 20; } );",
         "study.cfg:1: a conductor is of a circuit or of a panel: give one of the two\n"},
        {"study.cfg", "conductors = ( { circuit = \"main-99\"; ampacity_amps = 20; } );",
         "study.cfg:1: circuit = \"main-99\": site.cfg has no circuit of that id; did you mean "
         "\"main-07\"?\n"},
        {"editions.cfg",
         "editions = ( { id = \"2023\"; article = 220; },\n { id = \"2023\"; "
         "article = 220; } );",
         "editions.cfg:2: there is an edition \"2023\" already\n"},
        {"editions.cfg", "edition = ( );",
         "editions.cfg:1: unknown key \"edition\" in editions.cfg; did you mean "
         "\"editions\"?\n"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        say(cases[i].file, cases[i].text, cases[i].said);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(studies_that_cannot_be)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
