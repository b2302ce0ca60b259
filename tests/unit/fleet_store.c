#include "fleet_store.h"

#include "check.h"

#include "fleet/fleet_schema.h"

#include <stdlib.h>
#include <unistd.h>

static void empty(const char *where)
{
    char why[SQL_WHY_SIZE];
    struct sql *s = sql_open(where, why);
    if (!s || sql_run(s, "DROP SCHEMA public CASCADE; CREATE SCHEMA public") != SQL_FINE)
        fail_msg("%s", s ? sql_why(s) : why);
    sql_close(s);
}

void fleet_store_make(struct fleet_store *s)
{
    strcpy(s->path, "/tmp/foretrip-fleet-XXXXXX");
    close(mkstemp(s->path));
    s->where = getenv("FORETRIP_FLEET_TEST_DATABASE");
    if (s->where)
        empty(s->where);
    else
        s->where = s->path;
}

struct sql *fleet_store_open(const struct fleet_store *s, const char *texts)
{
    char why[SQL_WHY_SIZE];
    struct sql *sql = sql_open(s->where, why);
    if (!sql || fleet_schema_migrate(sql) != SQL_FINE)
        fail_msg("%s", sql ? sql_why(sql) : why);
    fleet_store_run(sql, texts);
    return sql;
}

void fleet_store_remove(struct fleet_store *s)
{
    static const char *const ends[] = {"", "-wal", "-shm"};
    char name[80];
    for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++) {
        snprintf(name, sizeof name, "%s%s", s->path, ends[i]);
        unlink(name);
    }
}

static bool see_number(void *context, const struct sql_value *row)
{
    *(int64_t *)context = sql_as_number(&row[0]);
    return true;
}

int64_t fleet_store_number(struct sql *s, const char *text)
{
    int64_t n = -1;
    if (sql_query(s, text, NULL, 0, see_number, &n, NULL) != SQL_FINE)
        fail_msg("%s", sql_why(s));
    return n;
}

void fleet_store_run(struct sql *s, const char *texts)
{
    if (sql_run(s, texts) != SQL_FINE)
        fail_msg("%s", sql_why(s));
}
