/* What anybody may ask of the centre's page: no crash, an answer that is JSON, a table or a
 * file of the page; before a login nothing is told, a manager is told nothing of what is on
 * where nobody has consented, and a contractor without a job nothing of a unit.
 *
 * Input, line by line: who asks ("mo" a manager, "rosa" a contractor, "" nobody), method, path,
 * query ("a=b&c"); the rest is the body. */
#include "asked.h"

#include "fleet/centre_answer.h"
#include "fleet/fleet_schema.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static bool quoted; /* the asker has said what nobody may tell */

#define NOW INT64_C(1795603200000)

static const char rows[] =
    "INSERT INTO sites (id, name, building) VALUES ('maple-12', '12 Maple', 'Quince House');"
    "INSERT INTO trips (site, trip, panel, circuit, opened_ms, stage, cause, json) VALUES"
    " (1, 't-1', 'main', 'main-07', 1795600000000, 'confirmed', 'overload',"
    " '{\"type\":\"trip\",\"loads\":[{\"appliance\":\"kettle\"}]}');"
    "INSERT INTO alarms (site, alarm, panel, circuit, kind, priority, state, alert, raised_ms,"
    " changed_ms, seq, json) VALUES (1, 'a-1', 'main', 'main-07', 'trip', 'high',"
    " 'unacknowledged', 0, 1795600000000, 1795600000000, 1, '{\"text\":\"a kettle\"}')";

static struct sql *open_store(void)
{
    static struct sql *s; /* one for all: what a run writes is taken away by the next */
    char why[SQL_WHY_SIZE];
    if (s)
        return s;
    s = sql_open(":memory:", why);
    if (!s || fleet_schema_migrate(s) != SQL_FINE || sql_run(s, rows) != SQL_FINE)
        abort();
    return s;
}

static void check(const struct web_answer *a, const char *who)
{
    const char *body = text_get(&a->body);
    if (a->status < 200 || a->status > 599)
        abort();
    if ((a->kind == WEB_ASK || a->kind == WEB_DOOR) && !a->verb)
        abort();
    if (!quoted && strstr(body, "kettle"))
        abort(); /* nobody has consented, and nobody has a job */
    if (!quoted && strcmp(who, "mo") != 0 && strstr(body, "Quince House"))
        abort();
    if (a->fixed || a->status == 304 || a->filename)
        return;
    json_t *o = json_loads(body, 0, NULL);
    if (!json_is_object(o) || (a->status != 200 && !json_object_get(o, "error")))
        abort();
    json_decref(o);
}

static void add_person(struct delivery *d, const char *id, enum delivery_role role)
{
    struct delivery_person *p = &d->people[d->person_count++];
    strcpy(p->id, id);
    strcpy(p->name, id);
    p->role = (int)role;
}

static void ask(const char *who, struct web_request *r)
{
    static struct delivery people;
    if (people.person_count == 0) {
        add_person(&people, "mo", ROLE_MANAGER);
        add_person(&people, "rosa", ROLE_CONTRACTOR);
    }
    struct access *access = access_create(&people);
    struct access_who in;
    char session[ACCESS_TOKEN_SIZE];
    struct sql *s = open_store();
    struct web_answer a = {0};
    if (!access ||
        sql_run(s, "DELETE FROM consents; DELETE FROM orders; DELETE FROM order_steps;"
                   "DELETE FROM audit; UPDATE sites SET name = '12 Maple',"
                   " building = 'Quince House', unit = ''") != SQL_FINE)
        abort();
    if (who[0] && access_begin(access, who, "192.0.2.7", NOW - 1000, session) &&
        access_find(access, session, NOW - 1000, &in)) {
        r->session = session;
        r->token = in.token;
    } else {
        who = "";
    }
    const struct centre_context x = {.people = &people, .access = access};
    centre_answer_request(&x, s, r, NOW, &a);
    check(&a, who);
    web_answer_free(&a);
    access_destroy(access);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *lines[4];
    quoted = memmem(data, size, "kettle", 6) || memmem(data, size, "Quince", 6);
    for (size_t i = 0; i < 4; i++)
        lines[i] = take_line(&data, &size);
    char *body = take_rest(data, size);
    struct web_request r = {.method = lines[1],
                            .path = lines[2],
                            .body = body,
                            .body_length = size,
                            .content_type = "application/json",
                            .address = "192.0.2.7"};
    take_query(lines[3], &r);
    ask(lines[0], &r);
    for (size_t i = 0; i < 4; i++)
        free(lines[i]);
    free(body);
    return 0;
}
