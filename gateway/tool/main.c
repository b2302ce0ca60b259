/* foretrip: the tool. Finds the verb and calls it. */
#include "verbs.h"

#include "base/text.h"
#include "config/fields.h"

#include <stdio.h>
#include <string.h>

static const struct verb verbs[] = {
    {
        .name = "acknowledge",
        .arguments = "ALARM --config DIR [--by NAME | --as PERSON]",
        .summary = "say that somebody sees to an alarm",
        .help = "  ALARM             its id, as foretrip alarms prints it\n"
                "  --config DIR      the gateway's configuration; its delivery.cfg names the "
                "broker\n"
                "  --by NAME         who; without it the login's name\n"
                "  --as PERSON       the id of one of people in delivery.cfg\n",
        .run = verb_acknowledge,
    },
    {
        .name = "advise",
        .arguments = "--config DIR [--database FILE] [--from TIME] [--to TIME]\n"
                     "           [--json|--print]",
        .summary = "what would have kept breakers from opening, by the record played again",
        .help =
            "  --config DIR      the directory with site.cfg\n"
            "  --database FILE   the record; without it DIR/foretrip.db, or the service's\n"
            "  --from, --to      2026-01-31, 2026-01-31T18:00:00Z or Unix seconds; usually "
            "three months\n"
            "  --json            as a JSON object; --print: numbered, on pages, to tick off\n",
        .run = verb_advise,
    },
    {
        .name = "alarms",
        .arguments =
            "--config DIR [--database FILE] [--all] [--follow [--seconds N]] [--language "
            "CODE] [--json]",
        .summary = "what stands now, and what changes",
        .help =
            "  --config DIR      the directory with site.cfg\n"
            "  --database FILE   the record; without it DIR/foretrip.db, or the service's\n"
            "  --all             those that are normal again too\n"
            "  --follow          goes on with each change, until Ctrl-C or for N seconds\n"
            "  --language CODE   en, es or one of phrases.cfg; without it the environment's\n"
            "  --json            the alarm events as JSON lines\n",
        .run = verb_alarms,
    },
    {
        .name = "backup",
        .arguments = "FILE --config DIR [--database FILE]",
        .summary = "a copy of the record, while the gateway goes on",
        .help =
            "  FILE              where the copy goes; must not be there yet\n"
            "  --config DIR      the directory with site.cfg\n"
            "  --database FILE   the record; without it DIR/foretrip.db, or the service's\n",
        .run = verb_backup,
    },
    {
        .name = "breaker-replaced",
        .arguments = "CIRCUIT --config DIR [--note TEXT] [--by NAME | --as PERSON]",
        .summary = "record that another breaker was put in, and forget the old one",
        .help = "  CIRCUIT           its id in site.cfg\n"
                "  --config DIR      the gateway's configuration; its delivery.cfg names the "
                "broker\n"
                "  --note TEXT       what was put in, and why\n"
                "  --by NAME         who; without it the login's name\n"
                "  --as PERSON       the id of one of people in delivery.cfg\n",
        .run = verb_breaker_replaced,
    },
    {
        .name = "call",
        .arguments = "[CIRCUIT|CALL] --config DIR [--database FILE] [--as WHO] [--by NAME]\n"
                     "           [--answer WORD [--note TEXT] [--danger WORD]] [--all]\n"
                     "           [--language en|es] [--json|--print]",
        .summary = "a service call for an open breaker, step by step; its sheet",
        .help =
            "  CIRCUIT           begins one, or goes on with the one that is open\n"
            "  CALL              goes on with it; one of another device is taken over\n"
            "                    without either: those that are open (--all: every one)\n"
            "  --config DIR      the directory with site.cfg\n"
            "  --database FILE   the record; without it DIR/foretrip.db, or the service's\n"
            "  --as WHO          occupant, or electrician (licensed)\n"
            "  --by NAME         who; without it the login's name\n"
            "  --answer WORD     answers what is asked, and asks nothing; --note: the load's\n"
            "                    name; --answer danger --danger heat: stop\n"
            "  --language        of the words\n"
            "  --json, --print   the call sheet, as JSON or on one page\n",
        .run = verb_call,
    },
    {
        .name = "check",
        .arguments = "--config DIR",
        .summary = "read a configuration and say everything that is wrong with it",
        .help = "  --config DIR      the directory with site.cfg\n",
        .run = verb_check,
    },
    {
        .name = "commission",
        .arguments = "BUS --config DIR [--walk] [--seconds N] [--units A-B] [--yes]\n"
                     "           --readings FILE --config DIR",
        .summary = "find meters, tell their register map, check how they are wired",
        .help =
            "  BUS               of a site.cfg that is there: its id; its wiring is checked.\n"
            "                    Without a site.cfg: /dev/... or HOST[:PORT]; its meters are "
            "found\n"
            "                    and a site.cfg is written, after a question\n"
            "  --config DIR      the directory with site.cfg, or where it is to go\n"
            "  --walk            breaker by breaker: which channel a known load is seen on\n"
            "  --seconds N       read so long and compare branches with their feeder (600)\n"
            "  --units A-B       units to look for (1-247)\n"
            "  --yes             no questions: what was found, the rest to be filled in\n"
            "  --readings FILE   checks the wiring by recorded readings instead; - is standard "
            "input\n",
        .run = verb_commission,
    },
    {
        .name = "directory",
        .arguments =
            "[PANEL | import FILE | set PANEL POSITION WORDS | forget PLACE | history]\n"
            "           --config DIR [--database FILE]\n"
            "           [--json|--csv|--print] [--by NAME]",
        .summary = "what each position of a panel serves, and what does not agree",
        .help =
            "  PANEL             its id in site.cfg; without it every panel\n"
            "  import FILE       a table (CSV) of purposes and places; all of it or nothing\n"
            "  set ...           what the card says of a position; \"\" takes it back\n"
            "  forget PLACE      takes a place out of the directory\n"
            "  history           who changed what, newest first\n"
            "  --config DIR      the directory with site.cfg\n"
            "  --database FILE   the record; without it DIR/foretrip.db, or the service's\n"
            "  --json, --csv     the directory as JSON, or as a table (RFC 4180)\n"
            "  --print           a page for each panel\n"
            "  --by NAME         who changes it; without it the login's name\n",
        .run = verb_directory,
    },
    {
        .name = "doctor",
        .arguments = "[--config DIR] [--state DIR] [--run DIR] [--json]",
        .summary = "what is wrong around the gateway, and what to do about it",
        .help = "  --config DIR      the directory with site.cfg (/etc/foretrip)\n"
                "  --state DIR       where the record lives (/var/lib/foretrip)\n"
                "  --run DIR         where the gateway keeps status.json (/run/foretrip)\n"
                "  --json            the findings as a JSON array\n"
                "As root it judges access as the gateway's user.\n",
        .run = verb_doctor,
    },
    {
        .name = "energy",
        .arguments = "[CIRCUIT] --config DIR [--database FILE] [--from TIME] [--to TIME]\n"
                     "           [--by day|month|span] [--csv|--json]",
        .summary = "kilowatt hours by circuit and day, and what they cost",
        .help =
            "  CIRCUIT           its id in site.cfg; without it every circuit and the sum\n"
            "  --config DIR      the directory with site.cfg and, for the cost, tariff.cfg\n"
            "  --database FILE   the record; without it DIR/foretrip.db, or the service's\n"
            "  --from, --to      2026-01-31, 2026-01-31T18:00:00Z or Unix seconds\n"
            "  --by              a row a day, a month, or one for all of the span\n"
            "  --csv, --json     with what was used at each price\n",
        .run = verb_energy,
    },
    {
        .name = "enrol",
        .arguments = "CODE CENTRE --config DIR [--broker HOST[:PORT]] [--yes]\n"
                     "       foretrip enrol --renew [--now] --config DIR",
        .summary = "this gateway's certificate from its centre, by a code; renewed later",
        .help =
            "  CODE              as the centre gave it, good once; - reads it from standard "
            "input\n"
            "  CENTRE            https://centre.example:8443, where gateways are let in\n"
            "  --config DIR      the directory with site.cfg; what comes goes to DIR/centre\n"
            "  --broker HOST     the centre's broker, where it is not the centre (8883)\n"
            "  --yes             delivery.cfg gets its broker without a question\n"
            "  --renew           when a third of its time is left; --now: at once\n",
        .run = verb_enrol,
    },
    {
        .name = "export",
        .arguments =
            "--config DIR [--database FILE] [--readings FILE|-] [--from TIME] [--to TIME]",
        .summary = "the readings as CSV, which a replay reads back without loss",
        .help = "  --config DIR      the directory with site.cfg\n"
                "  --database FILE   the record; without it DIR/foretrip.db, or the service's\n"
                "  --readings FILE   where the rows go; - is standard output, the default\n"
                "  --from, --to      2026-01-31, 2026-01-31T18:00:00Z or Unix seconds\n",
        .run = verb_export,
    },
    {
        .name = "history",
        .arguments = "CIRCUIT --config DIR [--database FILE] [--from TIME] [--to TIME]\n"
                     "           [--every STEP] [--csv|--json|--plot] [--svg FILE] [--events]",
        .summary = "what a circuit carried over any span, as a picture or a table",
        .help =
            "  CIRCUIT           its id in site.cfg, or a column: main-07.watts, main.volts_a\n"
            "  --config DIR      the directory with site.cfg\n"
            "  --database FILE   the record; without it DIR/foretrip.db, or the service's\n"
            "  --from, --to      2026-01-31, 2026-01-31T18:00:00Z or Unix seconds\n"
            "  --every STEP      of the table: 10s, 15m, 1h, 1d\n"
            "  --csv, --json     the table; --plot the picture, which is the default\n"
            "  --svg FILE        the picture as a file\n"
            "  --events          the circuit's events in the span, as JSON lines\n",
        .run = verb_history,
    },
    {
        .name = "loads",
        .arguments = "[CIRCUIT] --config DIR [--database FILE] [--json]",
        .summary = "what hangs on each circuit, as the gateway has learned it",
        .help = "  CIRCUIT           its id in site.cfg; without it every circuit\n"
                "  --config DIR      the directory with site.cfg\n"
                "  --database FILE   the record; without it DIR/foretrip.db, or the service's\n"
                "  --json            as a JSON array\n",
        .run = verb_loads,
    },
    {
        .name = "name",
        .arguments = "LOAD NAME --config DIR [--database FILE] [--json]",
        .summary = "give a load the name that people have for it",
        .help = "  LOAD              its number as foretrip loads prints it: main-07/3\n"
                "  NAME              up to 47 bytes; \"\" takes the name back\n"
                "  --config DIR      the directory with site.cfg\n"
                "  --database FILE   the record; without it DIR/foretrip.db, or the service's\n"
                "  --json            the load, as a JSON object\n",
        .run = verb_name,
    },
    {
        .name = "people",
        .arguments = "[invite PERSON | visit NAME --for TIME | end ID] --config DIR\n"
                     "           [--database FILE] [--json]",
        .summary = "who may log in to the page, and codes for them",
        .help = "  invite PERSON     a one-time code with which they choose a password\n"
                "  visit NAME        a code for somebody who comes for --for TIME (8h, 2d)\n"
                "  end ID            every session and code of a person, or a visit\n"
                "  --config DIR      the directory with site.cfg and delivery.cfg\n"
                "  --database FILE   the record; without it DIR/foretrip.db, or the service's\n"
                "  --json            the list as a JSON object\n",
        .run = verb_people,
    },
    {
        .name = "read",
        .arguments = "METER --config DIR [--points | --times]",
        .summary = "poll one meter once and print its readings",
        .help = "  METER             its id in site.cfg\n"
                "  --config DIR      the directory with site.cfg\n"
                "  --points          what a SunSpec meter is, and every point it has\n"
                "  --times           when each reading was taken after the poll began, and how "
                "sure that is\n",
        .run = verb_read,
    },
    {
        .name = "replay",
        .arguments = "--config DIR --readings FILE|- [--events FILE|-] [--database FILE]",
        .summary = "run the engine over recorded readings",
        .help =
            "  --config DIR      the directory with site.cfg (and rules.cfg, if any)\n"
            "  --readings FILE   readings as CSV; - is standard input\n"
            "  --events FILE     events as JSON lines; - is standard output, the default\n"
            "                    without a database\n"
            "  --database FILE   a new database with the events, trips, alarms and readings\n",
        .run = verb_replay,
    },
    {
        .name = "send-test",
        .arguments = "PERSON --config DIR",
        .summary = "a trial message to one person, by each of their ways",
        .help = "  PERSON            the id of one of people in delivery.cfg\n"
                "  --config DIR      the directory with site.cfg and delivery.cfg\n",
        .run = verb_send_test,
    },
    {
        .name = "shelve",
        .arguments = "ALARM --for TIME | --end --config DIR [--note WHY]\n"
                     "           [--by NAME | --as PERSON]",
        .summary = "silence an alarm for a time",
        .help = "  ALARM             its id, as foretrip alarms prints it\n"
                "  --for TIME        30m, 2h, 1d; at most 30d: shelving ends\n"
                "  --end             takes it from the shelf now\n"
                "  --note WHY        for the record\n"
                "  --config DIR      the gateway's configuration; its delivery.cfg names the "
                "broker\n"
                "  --by NAME         who; without it the login's name\n"
                "  --as PERSON       the id of one of people in delivery.cfg\n",
        .run = verb_shelve,
    },
    {
        .name = "status",
        .arguments = "[--run DIR] [--json]",
        .summary = "how the running gateway is",
        .help = "  --run DIR         where the gateway keeps status.json (/run/foretrip)\n"
                "  --json            all of it, as a JSON object\n",
        .run = verb_status,
    },
    {
        .name = "study",
        .arguments = "[CIRCUIT] --config DIR [--database FILE] [--from TIME] [--to TIME]\n"
                     "           [--panel PANEL] [--amps A] [--continuous] [--fastened]\n"
                     "           [--dedicated] [--json|--print]",
        .summary = "load calculations as sheets, and whether a load may be added",
        .help =
            "  CIRCUIT           may a load come on it? its id in site.cfg\n"
            "  --config DIR      the directory with site.cfg and, for nameplates, study.cfg\n"
            "  --database FILE   the record; without it DIR/foretrip.db, or the service's\n"
            "  --from, --to      2026-01-31, 2026-01-31T18:00:00Z or Unix seconds; usually "
            "the last year\n"
            "  --panel PANEL     or on that panel\n"
            "  --amps A          the load, on each leg that it is on\n"
            "  --continuous      it stays on for three hours or more\n"
            "  --fastened        it is fastened in place; --dedicated: alone on the circuit\n"
            "  --json            the sheets as a JSON object; --print: a page for each\n",
        .run = verb_study,
    },
    {
        .name = "trace",
        .arguments = "[PLACE] --config DIR [--database FILE] [--amps N|--watts N] [--switch]\n"
                     "           [--half upper|lower] [--begin TIME,...] [--tries N]\n"
                     "           [--readings FILE] [--keep] [--by NAME] [--json|--print]",
        .summary = "which circuit a receptacle or a switch is on, by a load switched to a beat",
        .help =
            "  PLACE             as people call it: \"Kitchen, left of the sink\"; without it\n"
            "                    each is asked for\n"
            "  --config DIR      the directory with site.cfg\n"
            "  --database FILE   the record; without it DIR/foretrip.db, or the service's\n"
            "  --amps, --watts   what the load draws, where that is known\n"
            "  --switch          a wall switch with its lights, not a receptacle\n"
            "  --half            of a split receptacle\n"
            "  --begin TIME,...  judges what was switched then; the last --tries of them are\n"
            "                    of this place\n"
            "  --readings FILE   judges a recording instead of the record\n"
            "  --keep            into the directory, without asking\n"
            "  --by NAME         who traced; without it the login's name\n"
            "  --json            the plan and what came of it; --print: on a page, with "
            "cautions\n"
            "Plug in and switch only. Nothing is done at the panel.\n",
        .run = verb_trace,
    },
    {
        .name = "verify",
        .arguments = "--config DIR [--database FILE]",
        .summary = "whether every piece of the record can be read and its summaries agree",
        .help =
            "  --config DIR      the directory with site.cfg\n"
            "  --database FILE   the record; without it DIR/foretrip.db, or the service's\n",
        .run = verb_verify,
    },
    {
        .name = "watch",
        .arguments = "--config DIR [--seconds N]",
        .summary = "the panels as a small live table, from the broker",
        .help = "  --config DIR      the gateway's configuration; its delivery.cfg names the "
                "broker\n"
                "  --seconds N       end after so long; without it Ctrl-C ends\n"
                "On a terminal the table is drawn anew each second; elsewhere each message is "
                "a line.\n",
        .run = verb_watch,
    },
};
#define VERB_COUNT (sizeof verbs / sizeof verbs[0])

static const struct verb *find_verb(const char *name)
{
    for (size_t i = 0; i < VERB_COUNT; i++)
        if (strcmp(verbs[i].name, name) == 0)
            return &verbs[i];
    return NULL;
}

static void print_verb(const struct verb *v)
{
    printf("usage: foretrip %s %s\n\n%s\n\n%s", v->name, v->arguments, v->summary, v->help);
    printf("\nMore: man foretrip-%s\n", v->name);
}

static void print_help(FILE *to)
{
    fputs("usage: foretrip VERB ...\n\n", to);
    for (size_t i = 0; i < VERB_COUNT; i++)
        fprintf(to, "  %-12s %s\n", verbs[i].name, verbs[i].summary);
    fputs("\n  foretrip help VERB     what a verb takes\n"
          "  foretrip --version\n\n"
          "foretrip watches and advises. It switches nothing and is no protective device.\n",
          to);
}

static enum exit_code unknown_verb(const char *name)
{
    struct nearest n = {.word = name};
    for (size_t i = 0; i < VERB_COUNT; i++)
        nearest_offer(&n, verbs[i].name);
    const char *best = nearest_get(&n);
    fprintf(stderr, "foretrip: there is no verb \"%s\"", name);
    if (best)
        fprintf(stderr, "; the nearest is \"%s\"", best);
    fputs(" (foretrip --help)\n", stderr);
    return EXIT_USAGE;
}

int main(int argc, char **argv)
{
    const char *word = argc > 1 ? argv[1] : "";
    if (strcmp(word, "--version") == 0) {
        puts("foretrip " FORETRIP_VERSION);
        return EXIT_GOOD;
    }
    bool help =
        strcmp(word, "help") == 0 || strcmp(word, "--help") == 0 || strcmp(word, "-h") == 0;
    if (help && argc == 2) {
        print_help(stdout);
        return EXIT_GOOD;
    }
    if (argc < 2) {
        print_help(stderr);
        return EXIT_USAGE;
    }
    const char *name = help ? argv[2] : word;
    const struct verb *v = find_verb(name);
    if (!v)
        return (int)unknown_verb(name);
    for (int i = 2; i < argc && !help; i++)
        help = strcmp(argv[i], "--help") == 0 || strcmp(argv[i], "-h") == 0;
    if (help) {
        print_verb(v);
        return EXIT_GOOD;
    }
    return (int)v->run(argc - 1, argv + 1);
}
