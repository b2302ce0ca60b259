/* foretrip send-test: a trial message to one person, by each of their ways, from here and now.
 */
#include "open_config.h"
#include "options.h"
#include "verbs.h"

#include "base/clock.h"
#include "notify/people.h"
#include "notify/post.h"

#include <stdio.h>
#include <stdlib.h>

/* An outbox's rows have small numbers or the milliseconds of its beginning; these are neither.
 */
static int64_t trial_id(int64_t wall_ms)
{
    return -wall_ms;
}

static bool send_one(const struct config *c, const struct delivery_person *p, enum post_way way,
                     const char *payload)
{
    const char *word = way == POST_MAIL ? "mail" : "webhook";
    const char *where = way == POST_MAIL ? p->mail : p->webhook;
    char why[POST_WHY_SIZE];
    int64_t now = clock_wall_ms();
    struct post *post = post_create(&(struct post_letter){.way = way,
                                                          .mail = &c->delivery.mail,
                                                          .person = p,
                                                          .site_id = c->site.id,
                                                          .site_name = c->site.name,
                                                          .payload = payload,
                                                          .id = trial_id(now),
                                                          .wall_ms = now,
                                                          .timeout_ms = 30000},
                                    why);
    enum post_result result = post ? post_judge(post, post_run(post), why) : POST_LATER;
    post_destroy(post);
    if (result == POST_ACCEPTED)
        printf("%s to %s: accepted\n", word, where);
    else
        fprintf(stderr, "foretrip send-test: %s to %s: %s\n", word, where, why);
    return result == POST_ACCEPTED;
}

static enum exit_code send_all(const struct config *c, const char *id)
{
    int i = delivery_find_person(&c->delivery, id);
    if (i < 0) {
        fprintf(stderr, "foretrip send-test: delivery.cfg has no person \"%s\"\n", id);
        return EXIT_BAD;
    }
    const struct delivery_person *p = &c->delivery.people[i];
    char *payload = people_trial(p, &c->phrases, &c->site, clock_wall_ms());
    bool good = payload && (p->mail[0] || p->webhook[0]);
    if (payload && !good)
        fprintf(stderr, "foretrip send-test: %s has neither mail nor webhook\n", p->name);
    if (payload && p->mail[0])
        good = send_one(c, p, POST_MAIL, payload) && good;
    if (payload && p->webhook[0])
        good = send_one(c, p, POST_WEBHOOK, payload) && good;
    free(payload);
    return good ? EXIT_GOOD : EXIT_BAD;
}

enum exit_code verb_send_test(int argc, char **argv)
{
    const char *directory = NULL;
    const struct option_row rows[] = {{.name = "config", .value = &directory, .needed = true}};
    if (argc < 2 || argv[1][0] == '-') {
        fputs("foretrip send-test: to whom? (foretrip help send-test)\n", stderr);
        return EXIT_USAGE;
    }
    const char *id = argv[1];
    argv[1] = argv[0];
    if (!options_take(rows, 1, argc - 1, argv + 1))
        return EXIT_USAGE;
    struct config c;
    if (!open_config(&c, directory))
        return EXIT_BAD;
    enum exit_code code = send_all(&c, id);
    config_free(&c);
    return code;
}
