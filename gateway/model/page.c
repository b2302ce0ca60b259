#include "page.h"

#include <arpa/inet.h>
#include <string.h>

struct page_settings page_defaults(void)
{
    return (struct page_settings){.listen = "127.0.0.1", .port = PAGE_PORT};
}

bool page_is_loopback(const char *address)
{
    struct in_addr v4;
    struct in6_addr v6;
    if (inet_pton(AF_INET, address, &v4) == 1)
        return (ntohl(v4.s_addr) >> 24) == 127;
    return inet_pton(AF_INET6, address, &v6) == 1 && IN6_IS_ADDR_LOOPBACK(&v6);
}

bool page_asks_who(const struct page_settings *p)
{
    return p->login || !page_is_loopback(p->listen);
}

bool page_address_valid(const char *address)
{
    unsigned char bytes[sizeof(struct in6_addr)];
    return inet_pton(AF_INET, address, bytes) == 1 || inet_pton(AF_INET6, address, bytes) == 1;
}
