/*
 * letter_writer RECORD CONFIG COUNT SECONDS - the mail side of a gateway for the tests beside
 * it: puts COUNT letters for every person of CONFIG/delivery.cfg into the outbox, numbered in
 * their subjects, and lets the courier carry them. Ends with 0 when the outbox is empty, 2 when
 * the time is over and letters wait; says how it went.
 */
#include "base/clock.h"
#include "base/log.h"
#include "config/reader.h"
#include "notify/courier.h"
#include "notify/letter.h"
#include "store/store.h"

#include <poll.h>
#include <stdio.h>
#include <stdlib.h>

static void add_letter(struct store *s, const struct config *c, const struct delivery_person *p,
                       int number)
{
    char subject[64], topic[128];
    snprintf(subject, sizeof subject, "Número %d", number);
    json_t *letter =
        letter_create(c->site.id, p->id, p->language, "high", clock_wall_ms(), subject);
    letter_add(letter, LETTER_TITLE, subject);
    letter_add(letter, LETTER_WHAT,
               "Breaker 7 (Up: bath & <hall>) has opened = a line so long that it has to be "
               "folded somewhere on its way.\n.\nA dot by itself ended nothing.");
    letter_add(letter, LETTER_ACT, "Déjelo apagado y llame a un electricista con licencia.");
    char *payload = letter_dump(letter);
    for (int way = 0; way < 2; way++) {
        if (way == 0 ? !p->mail[0] : !p->webhook[0])
            continue;
        snprintf(topic, sizeof topic, "%s/%s", way == 0 ? "mail" : "webhook", p->id);
        store_add_message(
            s, &(struct store_message){.route = STORE_ROUTE_LETTER,
                                       .topic = topic,
                                       .payload = payload,
                                       .expires_wall_ms = clock_wall_ms() + 3600000});
    }
    free(payload);
    json_decref(letter);
}

static int carry(struct store *s, struct courier *k, int64_t end_mono_ms)
{
    struct store_status record;
    struct courier_status status;
    do {
        store_commit(s, clock_mono_ms(), clock_wall_ms());
        poll(NULL, 0, 20);
        store_get_status(s, &record);
    } while (record.outbox_rows > 0 && clock_mono_ms() < end_mono_ms);
    courier_get_status(k, &status);
    printf("accepted %llu refused %llu tries %llu waiting %zu down %zu why %s\n"
           "ways refused %zu: %s\n",
           (unsigned long long)status.accepted, (unsigned long long)status.refused,
           (unsigned long long)status.failed_tries, status.waiting, status.ways_down,
           status.why, status.ways_refused, status.why_refused);
    return record.outbox_rows > 0 ? 2 : 0;
}

int main(int argc, char **argv)
{
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct config c;
    if (argc != 5 || !config_load(&c, argv[2], &faults)) {
        fprintf(stderr, "letter_writer RECORD CONFIG COUNT SECONDS: %s\n",
                faults.count ? faults.list[0].text : "wrong number of arguments");
        return 1;
    }
    enum store_err err;
    char why[256];
    struct store *s =
        store_open(&(struct store_options){.path = argv[1]}, clock_wall_ms(), &err);
    for (int n = 1; n <= atoi(argv[3]); n++)
        for (size_t i = 0; i < c.delivery.person_count; i++)
            add_letter(s, &c, &c.delivery.people[i], n);
    if (store_commit(s, clock_mono_ms(), clock_wall_ms()) != STORE_OK)
        return 1;
    puts("written");
    fflush(stdout);
    struct courier *k = courier_start(&(struct courier_options){.delivery = &c.delivery,
                                                                .phrases = &c.phrases,
                                                                .site = &c.site,
                                                                .store = s,
                                                                .store_path = argv[1],
                                                                .retry_first_ms = 50,
                                                                .retry_most_ms = 200,
                                                                .timeout_ms = 1500},
                                      why, sizeof why);
    int code = carry(s, k, clock_mono_ms() + 1000 * atoi(argv[4]));
    courier_stop(k);
    store_close(s);
    config_free(&c);
    faults_free(&faults);
    return code;
}
