#include "parcel_members.h"

#include "base/clock.h"
#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* with their lengths: each key of each record is looked for among them */
#define NAME(member, word) [member] = {word, sizeof(word) - 1}
static const struct {
    const char *word;
    size_t length;
} names[MEMBERS] = {
    NAME(M_SITE, "site"),
    NAME(M_AFTER, "after"),
    NAME(M_TO, "to"),
    NAME(M_AGAIN, "again"),
    NAME(M_HEALTH, "health"),
    NAME(M_RECORDS, "records"),
    NAME(M_NAME, "name"),
    NAME(M_SEQ, "seq"),
    NAME(M_TIME, "time"),
    NAME(M_TYPE, "type"),
    NAME(M_PANEL, "panel"),
    NAME(M_CIRCUIT, "circuit"),
    NAME(M_ALARM, "alarm"),
    NAME(M_KIND, "kind"),
    NAME(M_PRIORITY, "priority"),
    NAME(M_STATE, "state"),
    NAME(M_ALERT, "alert"),
    NAME(M_RAISED_AT, "raised_at"),
    NAME(M_TRIP, "trip"),
    NAME(M_STAGE, "stage"),
    NAME(M_CAUSE, "cause"),
    NAME(M_PROBABILITY, "probability"),
    NAME(M_SECONDS_OPEN, "seconds_open"),
    NAME(M_SECONDS_HELD, "seconds_held"),
    NAME(M_OPENED_AT, "opened_at"),
    NAME(M_CALL, "call"),
};

enum member member_find(const char *name, size_t length, enum member first, enum member end)
{
    for (int i = first; i < (int)end; i++)
        if (names[i].length == length && memcmp(names[i].word, name, length) == 0)
            return (enum member)i;
    return M_NONE;
}

const char *member_name(enum member m)
{
    return names[m].word;
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
