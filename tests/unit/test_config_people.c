/* delivery.cfg's mail and people, phrases.cfg: what is said of a faulty one, word for word */
#include "config_case.h"

static void say(const char *name, const char *text, const char *said)
{
    const struct config_text other = {name, text, strlen(text)};
    const struct config_case unchanged = {NULL, NULL, said};
    config_case_run(&unchanged, &other, 1);
}

struct said {
    const char *text, *said;
};

#define MAIL "mail = { host = \"localhost\"; from = \"h@example.net\"; };\n"
#define KIM "id = \"kim\"; name = \"Kim\"; mail = \"kim@example.net\"; "

static void people_that_cannot_be_told(void **state)
{
    static const struct said cases[] = {
        {MAIL "people = ( { " KIM "} );", ""},
        {MAIL "people = ( { " KIM
              "quiet_from = \"22:00\"; quiet_to = \"06:30\"; language = \"es\"; "
              "role = \"manager\"; webhook = \"https://d.example.net/x\"; } );",
         ""},
        {"people = ( { " KIM "} );",
         "delivery.cfg:1: \"kim\" has a mail address, but there is no "
         "group mail that names a server\n"},
        {MAIL "people = ( { id = \"kim\"; name = \"Kim\"; } );",
         "delivery.cfg:2: warning: \"kim\" has neither mail nor webhook and is told nothing\n"},
        {MAIL "people = ( { " KIM "},\n { " KIM "} );",
         "delivery.cfg:3: there is a person \"kim\" already\n"},
        {MAIL "people = ( { id = \"kim\"; name = \"K\"; mail = \"kim\"; } );",
         "delivery.cfg:2: mail = \"kim\" is no mail address; write it as "
         "\"name@example.net\"\n"},
        {MAIL
         "people = ( { id = \"kim\"; name = \"K\"; mail = \"k@x>\\r\\nRCPT TO:<y@z\"; } );",
         "delivery.cfg:2: mail has a control character in it; plain text only\n"
         "delivery.cfg:2: warning: \"kim\" has neither mail nor webhook and is told nothing\n"},
        {MAIL "people = ( { " KIM "quiet_from = \"22:00\"; } );",
         "delivery.cfg:2: \"kim\" has only one end of the quiet hours; they need quiet_from "
         "and "
         "quiet_to\n"},
        {MAIL "people = ( { " KIM "quiet_from = \"22:00\"; quiet_to = \"24:00\"; } );",
         "delivery.cfg:2: quiet_to = \"24:00\" is no time of the day; write it as \"22:00\"\n"},
        {MAIL "people = ( { " KIM "quiet_from = \"22:00\"; quiet_to = \"22:00\"; } );",
         "delivery.cfg:2: the quiet hours of \"kim\" end when they begin\n"},
        {MAIL "people = ( { " KIM "language = \"fr\"; } );",
         "delivery.cfg:2: language = \"fr\": there are no phrases in it; there are en and es, "
         "and "
         "phrases.cfg may add one\n"},
        {MAIL "people = ( { " KIM "webhook = \"ftp://x\"; } );",
         "delivery.cfg:2: webhook = \"ftp://x\" is no URL; it begins with https:// (or "
         "http://)\n"},
        {MAIL "people = ( { " KIM "webhook = \"http://desk.example.net/\"; } );",
         "delivery.cfg:2: warning: what happens in this home goes to "
         "\"http://desk.example.net/\" in the clear; use https://\n"},
        {MAIL "people = ( { " KIM "priority = \"medium\"; } );",
         "delivery.cfg:2: priority = \"medium\" is not known; it is \"urgent\", \"high\" or "
         "\"low\"\n"},
        {"mail = { host = \"m.example.net\"; from = \"h@example.net\"; username = \"h\"; };",
         "delivery.cfg:1: mail has a username and no password_file; a login needs both\n"},
        {"mail = { host = \"m.example.net\"; from = \"h@example.net\"; security = \"none\"; };",
         "delivery.cfg:1: warning: messages go to \"m.example.net\" in the clear; security = "
         "\"starttls\" is safer\n"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        say("delivery.cfg", cases[i].text, cases[i].said);
}

static void phrases_that_cannot_be_filled_in(void **state)
{
    static const struct said cases[] = {
        {"languages = ( { language = \"fr\"; words = { urgent = \"URGENT \"; }; } );", ""},
        {"languages = ( { language = \"en\"; matters = ( { matter = \"meter_lost\"; subject = "
         "\"{metre} lost\"; } ); } );",
         "phrases.cfg:1: subject: {metre} is no word that can be filled in; there are {site}, "
         "{panel}, {position}, {circuit}, {meter}, {loads}, {time}, {alarm}, {amps}, {who}, "
         "{count}, "
         "{trips}, {urgent}\n"},
        {"languages = ( { language = \"en\"; matters = ( { matter = \"meter_lots\"; } ); } );",
         "phrases.cfg:1: there is no matter \"meter_lots\"; did you mean \"meter_lost\"?\n"},
        {"languages = ( { language = \"en\"; words = { urgnt = \"x\"; }; } );",
         "phrases.cfg:1: unknown key \"urgnt\" in the group words; did you mean \"urgent\"?\n"},
        {"languages = ( { language = \"en\"; words = { urgent = 1; }; } );",
         "phrases.cfg:1: urgent should be a text\n"},
        {"languages = ( { } );", "phrases.cfg:1: a language has no language; add language = a "
                                 "text in quotes: its code, "
                                 "such as \"en\"\n"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        say("phrases.cfg", cases[i].text, cases[i].said);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(people_that_cannot_be_told),
        cmocka_unit_test(phrases_that_cannot_be_filled_in),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
