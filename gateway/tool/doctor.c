/* foretrip doctor: looks at everything around a gateway, and says what is wrong and what to do.
 */
#include "doctor.h"

#include "kept.h"
#include "options.h"
#include "running.h"
#include "verbs.h"

#include "base/log.h"
#include "base/text.h"

#include <grp.h>
#include <pwd.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#define USER "foretrip" /* the service's */

static const char *const words[] = {"good", "note", "warning", "error"};

void doctor_say(struct doctor *d, enum finding level, const char *check, const char *advice,
                const char *format, ...)
{
    struct text what = TEXT_INIT;
    va_list args;
    va_start(args, format);
    text_vprintf(&what, format, args);
    va_end(args);
    json_array_append_new(d->findings, json_pack("{s:s, s:s, s:s, s:s}", "check", check,
                                                 "level", words[level], "what", text_get(&what),
                                                 "do", advice ? advice : ""));
    if (level > d->worst)
        d->worst = level;
    text_free(&what);
}

/* in a process of its own, which becomes that user: groups, lists and directories on the way
 * are judged as the kernel judges them */
static bool may_as(const char *user, const char *path, int mode)
{
    const struct passwd *p = getpwnam(user);
    pid_t child = p ? fork() : -1;
    int status = 0;
    if (child == 0) {
        bool became = initgroups(user, p->pw_gid) == 0 && setgid(p->pw_gid) == 0 &&
                      setuid(p->pw_uid) == 0;
        _exit(became && access(path, mode) == 0 ? 0 : 1);
    }
    return child > 0 && waitpid(child, &status, 0) == child && WIFEXITED(status) &&
           WEXITSTATUS(status) == 0;
}

bool doctor_may(const struct doctor *d, const char *path, int mode)
{
    return d->as_user ? may_as(d->user, path, mode) : access(path, mode) == 0;
}

/* the state directory's owner; without one the service's user; else whoever asks */
static void find_user(struct doctor *d)
{
    struct stat st;
    const struct passwd *p = NULL;
    if (stat(d->state_directory, &st) == 0)
        p = getpwuid(st.st_uid);
    else
        p = getpwnam(USER);
    if (!p)
        p = getpwuid(geteuid());
    text_copy(d->user, sizeof d->user, p ? p->pw_name : "root");
    d->as_user = p && geteuid() == 0 && p->pw_uid != 0;
}

static void print(const json_t *findings)
{
    size_t i;
    json_t *f;
    json_array_foreach(findings, i, f)
    {
        const char *advice = json_string_value(json_object_get(f, "do"));
        printf("%-8s %-12s %s\n", json_string_value(json_object_get(f, "level")),
               json_string_value(json_object_get(f, "check")),
               json_string_value(json_object_get(f, "what")));
        if (advice && advice[0])
            printf("%22sto do: %s\n", "", advice);
    }
}

static void silence(void *context, enum log_level level, const char *subsystem,
                    const char *line)
{
    (void)context, (void)level, (void)subsystem, (void)line;
}

static void examine(struct doctor *d)
{
    static void (*const examinations[])(struct doctor *) = {
        doctor_configuration, doctor_permissions, doctor_disk,   doctor_database,
        doctor_clock,         doctor_buses,       doctor_broker, doctor_certificates,
        doctor_letters,       doctor_service,
    };
    log_to(silence, NULL); /* what is wrong is a finding */
    for (size_t i = 0; i < sizeof examinations / sizeof examinations[0]; i++)
        examinations[i](d);
    log_to(NULL, NULL);
}

enum exit_code verb_doctor(int argc, char **argv)
{
    struct doctor d = {.config_directory = "/etc/foretrip",
                       .state_directory = NULL,
                       .run_directory = RUNNING_DIRECTORY};
    bool as_json = false;
    const struct option_row rows[] = {{.name = "config", .value = &d.config_directory},
                                      {.name = "state", .value = &d.state_directory},
                                      {.name = "run", .value = &d.run_directory},
                                      {.name = "json", .flag = &as_json}};
    if (!options_take(rows, 4, argc, argv))
        return EXIT_USAGE;
    if (!d.state_directory)
        d.state_directory = "/var/lib/foretrip";
    snprintf(d.database, sizeof d.database, "%s/foretrip.db", d.state_directory);
    d.findings = json_array();
    d.running = running_read(d.run_directory, d.absent);
    find_user(&d);
    examine(&d);
    enum exit_code code = d.worst == FINDING_ERROR ? EXIT_BAD : EXIT_GOOD;
    if (as_json) {
        if (kept_print_json(json_incref(d.findings)) != EXIT_GOOD)
            code = EXIT_BAD;
    } else {
        print(d.findings);
    }
    json_decref(d.findings);
    json_decref(d.running);
    config_free(&d.config);
    return code;
}
