/*
 * page_file - page.cfg: where the page is served.
 *
 *     page = { listen = "127.0.0.1"; port = 8474; };
 *     page = { listen = "0.0.0.0"; tls = { cert = "gateway.pem"; key = "gateway.key"; }; };
 */
#ifndef FORETRIP_CONFIG_PAGE_FILE_H
#define FORETRIP_CONFIG_PAGE_FILE_H

#include "config/fields.h"
#include "model/page.h"

enum { PAGE_LISTEN, PAGE_PORT_KEY, PAGE_OFF, PAGE_LOGIN, PAGE_TLS, PAGE_KEYS };
enum { PAGE_TLS_CERT, PAGE_TLS_KEY, PAGE_TLS_KEYS };

/* *p is at its defaults, or as the file says. directory is put before relative paths, and the
 * files are looked at; NULL: neither. */
void page_file_read(struct page_settings *p, const struct config_file *file,
                    const char *directory);

/* The group page of another file, whose other keys are its own. */
void page_file_read_group(struct page_settings *p, const struct config_file *file,
                          const char *directory);

/* The tables, for the manual. */
extern const struct field page_fields[PAGE_KEYS];
extern const struct field page_tls_fields[PAGE_TLS_KEYS];

#endif
