#include "fleet.h"

#include "base/text.h"

#include <stdlib.h>
#include <string.h>

bool fleet_read_node(const char *s, size_t length, struct fleet_node *out)
{
    const char *colon = memrchr(s, ':', length);
    char digits[8];
    if (!colon || colon == s || (size_t)(colon - s) >= sizeof out->host)
        return false;
    size_t n = length - (size_t)(colon + 1 - s);
    if (n == 0 || n >= sizeof digits)
        return false;
    memcpy(digits, colon + 1, n);
    digits[n] = '\0';
    long port = strspn(digits, "0123456789") == n ? strtol(digits, NULL, 10) : 0;
    if (port < 1 || port > 65535)
        return false;
    memcpy(out->host, s, (size_t)(colon - s));
    out->host[colon - s] = '\0';
    out->port = (int)port;
    return true;
}

/* those of the list from out[n] on; how many there are then */
static size_t add_nodes(const char *list, struct fleet_node out[FLEET_MOST_NODES], size_t n)
{
    for (const char *at = list; *at && n < FLEET_MOST_NODES;) {
        size_t length = strcspn(at, " ");
        if (length > 0 && fleet_read_node(at, length, &out[n]))
            n++;
        at += length + (at[length] == ' ');
    }
    return n;
}

size_t fleet_list_nodes(const struct fleet_settings *f, struct fleet_node out[FLEET_MOST_NODES])
{
    text_copy(out[0].host, sizeof out[0].host, f->broker.host);
    out[0].port = f->broker.port;
    return add_nodes(f->nodes, out, 1);
}

size_t fleet_list_ask_nodes(const struct fleet_settings *f,
                            struct fleet_node out[FLEET_MOST_NODES])
{
    if (f->mqtt[0])
        return add_nodes(f->mqtt, out, 0);
    return f->intake == FLEET_AMQP ? 0 : fleet_list_nodes(f, out);
}
