/*
 * tariff_file - tariff.cfg: what a kilowatt hour costs, when.
 *
 *     tariff = { currency = "USD"; per_kwh = 0.13; fixed_per_day = 0.40; };
 *     seasons = ( { id = "summer"; from = "06-01"; to = "09-30"; } );
 *     prices = ( { id = "peak"; per_kwh = 0.31; season = "summer"; days = "workdays";
 *                  from = "14:00"; to = "19:00"; } );
 *     holidays = ( { date = "07-04"; }, { date = "2026-11-26"; } );
 *
 * Of the prices that hold at a moment the first is the one; where none holds, tariff.per_kwh
 * is. Faults: dates that no year has, times off the quarter hour, unknown seasons, ids given
 * twice; as warnings what can never have an effect.
 */
#ifndef FORETRIP_CONFIG_TARIFF_FILE_H
#define FORETRIP_CONFIG_TARIFF_FILE_H

#include "config/fields.h"

enum { TARIFF_CURRENCY, TARIFF_PER_KWH, TARIFF_FIXED, TARIFF_KEYS };
enum { SEASON_ID, SEASON_FROM, SEASON_TO, SEASON_KEYS };
enum { PRICE_ID, PRICE_PER_KWH, PRICE_SEASON, PRICE_DAYS, PRICE_FROM, PRICE_TO, PRICE_KEYS };
enum { HOLIDAY_DATE, HOLIDAY_KEYS };

/* *t is zeroed, or as the file says. */
void tariff_file_read(struct tariff *t, const struct config_file *file);

/* The tables, for the manual. */
extern const struct field tariff_fields[TARIFF_KEYS];
extern const struct field season_fields[SEASON_KEYS];
extern const struct field price_fields[PRICE_KEYS];
extern const struct field holiday_fields[HOLIDAY_KEYS];

#endif
