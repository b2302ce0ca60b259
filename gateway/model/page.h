/*
 * page - where the gateway serves its page and its interface for programs, as page.cfg says.
 *
 * On loopback it asks nobody who they are, unless told to. Elsewhere it needs TLS, so that what
 * is typed and shown stays between the two ends, and logins; config/ refuses it without.
 */
#ifndef FORETRIP_PAGE_H
#define FORETRIP_PAGE_H

#include "site.h"

#define PAGE_ADDRESS_SIZE 64
#define PAGE_PATH_SIZE 512
#define PAGE_PORT 8474

struct page_settings {
    bool off;                       /* nothing is served */
    char listen[PAGE_ADDRESS_SIZE]; /* an address of this machine, IPv4 or IPv6, in numbers */
    int port;                       /* 0: any free one, said in the log */
    char cert[PAGE_PATH_SIZE];      /* PEM: the gateway's certificate, "": no TLS */
    char key[PAGE_PATH_SIZE];       /* PEM: its key */
    bool login;                     /* on loopback too */
};

struct page_settings page_defaults(void);

/* "127.0.0.1", "::1" and the like: nobody but this machine's own people get there. */
bool page_is_loopback(const char *address);

/* Whether people have to say who they are. */
bool page_asks_who(const struct page_settings *p);

/* An IPv4 or IPv6 address in numbers. */
bool page_address_valid(const char *address);

#endif
