/* asked.h - for targets that are asked over HTTP: a request's parts out of a run's bytes.
 * Included by one target each. */
#ifndef FORETRIP_FUZZ_ASKED_H
#define FORETRIP_FUZZ_ASKED_H

#include "lines.h"
#include "web/request.h"

/* "a=b&c" */
static void take_query(char *text, struct web_request *r)
{
    for (char *pair; (pair = strsep(&text, "&")) && r->query_count < WEB_MOST_PAIRS;) {
        char *value = strchr(pair, '=');
        if (value)
            *value++ = '\0';
        r->query[r->query_count++] = (struct web_pair){pair, value ? value : ""};
    }
}

#endif
