/*
 * verbs - what `foretrip VERB ...` can do: one row each in the table of main.c.
 *
 * A verb has a file of its own, verb_<name> in <name>.c, and a man page foretrip-<name>.1.
 * argv[0] is the verb. What a verb finds out goes to standard output, complaints go to standard
 * error.
 */
#ifndef FORETRIP_TOOL_VERBS_H
#define FORETRIP_TOOL_VERBS_H

enum exit_code {
    EXIT_GOOD = 0,
    EXIT_BAD = 1,   /* it was tried, and failed or found faults */
    EXIT_USAGE = 2, /* it was asked in a way that cannot be understood */
};

struct verb {
    const char *name;
    const char *arguments; /* as the usage line shows them */
    const char *summary;   /* half a line */
    const char *help;      /* a line for each option, with a line end each */
    enum exit_code (*run)(int argc, char **argv);
};

enum exit_code verb_acknowledge(int argc, char **argv);
enum exit_code verb_breaker_replaced(int argc, char **argv);
enum exit_code verb_advise(int argc, char **argv);
enum exit_code verb_alarms(int argc, char **argv);
enum exit_code verb_backup(int argc, char **argv);
enum exit_code verb_call(int argc, char **argv);
enum exit_code verb_check(int argc, char **argv);
enum exit_code verb_commission(int argc, char **argv);
enum exit_code verb_directory(int argc, char **argv);
enum exit_code verb_doctor(int argc, char **argv);
enum exit_code verb_enrol(int argc, char **argv);
enum exit_code verb_energy(int argc, char **argv);
enum exit_code verb_export(int argc, char **argv);
enum exit_code verb_history(int argc, char **argv);
enum exit_code verb_loads(int argc, char **argv);
enum exit_code verb_name(int argc, char **argv);
enum exit_code verb_people(int argc, char **argv);
enum exit_code verb_read(int argc, char **argv);
enum exit_code verb_replay(int argc, char **argv);
enum exit_code verb_send_test(int argc, char **argv);
enum exit_code verb_shelve(int argc, char **argv);
enum exit_code verb_status(int argc, char **argv);
enum exit_code verb_study(int argc, char **argv);
enum exit_code verb_trace(int argc, char **argv);
enum exit_code verb_verify(int argc, char **argv);
enum exit_code verb_watch(int argc, char **argv);

#endif
