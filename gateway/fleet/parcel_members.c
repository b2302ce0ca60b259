#include "parcel_members.h"

#include "base/clock.h"
#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char *const names[MEMBERS] = {
    [M_SITE] = "site",
    [M_AFTER] = "after",
    [M_TO] = "to",
    [M_AGAIN] = "again",
    [M_HEALTH] = "health",
    [M_RECORDS] = "records",
    [M_NAME] = "name",
    [M_SEQ] = "seq",
    [M_TIME] = "time",
    [M_TYPE] = "type",
    [M_PANEL] = "panel",
    [M_CIRCUIT] = "circuit",
    [M_ALARM] = "alarm",
    [M_KIND] = "kind",
    [M_PRIORITY] = "priority",
    [M_STATE] = "state",
    [M_ALERT] = "alert",
    [M_RAISED_AT] = "raised_at",
    [M_TRIP] = "trip",
    [M_STAGE] = "stage",
    [M_CAUSE] = "cause",
    [M_PROBABILITY] = "probability",
    [M_SECONDS_OPEN] = "seconds_open",
    [M_SECONDS_HELD] = "seconds_held",
    [M_OPENED_AT] = "opened_at",
    [M_CALL] = "call",
};

enum member member_find(const char *name, size_t length, enum member first, enum member end)
{
    for (int i = first; i < (int)end; i++)
        if (strlen(names[i]) == length && memcmp(names[i], name, length) == 0)
            return (enum member)i;
    return M_NONE;
}

const char *member_name(enum member m)
{
    return names[m];
}

static uint32_t bit_of(enum member which)
{
    return UINT32_C(1) << which;
}

bool members_see(struct members *m, enum member which)
{
    bool first = (m->seen & bit_of(which)) == 0;
    m->seen |= bit_of(which);
    m->values[which].type = V_OTHER;
    return first;
}

void members_forget(struct members *m, enum member which)
{
    m->seen &= bit_of(which) - 1;
}

enum value_type members_type(const struct members *m, enum member which)
{
    return m->seen & bit_of(which) ? m->values[which].type : V_OTHER;
}

bool members_number(const struct members *m, enum member which, int64_t *out)
{
    const char *words = m->values[which].words;
    if (members_type(m, which) != V_NUMBER || words[strspn(words, "0123456789")] != '\0')
        return false;
    *out = strtoll(words, NULL, 10); /* its range was looked at */
    return true;
}

bool members_time(const struct members *m, enum member which, int64_t *wall_ms)
{
    const char *words = m->values[which].words;
    return members_type(m, which) == V_WORD && clock_parse(words, strlen(words), wall_ms);
}

double members_real(const struct members *m, enum member which)
{
    return members_type(m, which) == V_NUMBER ? strtod(m->values[which].words, NULL) : NAN;
}

void members_text(const struct members *m, enum member which, char *out, size_t size)
{
    if (members_type(m, which) != V_WORD || !text_copy(out, size, m->values[which].words))
        out[0] = '\0';
}
