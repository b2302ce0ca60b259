/*
 * sheet_text - a unit's sheet, as its gateway answered (web/sheet.h), as text for a terminal.
 *
 * The answer comes from outside: members that are missing are passed over, and no byte of it
 * that is not printable goes out. Pure.
 */
#ifndef FORETRIP_FLEET_SHEET_TEXT_H
#define FORETRIP_FLEET_SHEET_TEXT_H

#include "base/text.h"

/* False when the answer is no sheet; out is then as it was. */
bool sheet_text(const char *json, size_t length, struct text *out);

#endif
