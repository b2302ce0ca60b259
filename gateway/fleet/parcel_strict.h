/*
 * parcel_strict - what yajl lets pass in a JSON text, and other readers do not.
 *
 * Form feeds and vertical tabs as blanks (RFC 8259, section 2, has neither), escapes that are
 * half of a surrogate pair, of which no reader can make text (section 8.2), and NUL, which ends
 * a string in C. Pure.
 */
#ifndef FORETRIP_FLEET_PARCEL_STRICT_H
#define FORETRIP_FLEET_PARCEL_STRICT_H

#include <stdbool.h>
#include <stddef.h>

/* json: yajl has found it good. True when it has none of these. */
bool parcel_strict(const char *json, size_t length);

#endif
