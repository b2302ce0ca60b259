/*
 * report - the portfolio as text: who needs somebody today, for a terminal.
 */
#ifndef FORETRIP_FLEET_REPORT_H
#define FORETRIP_FLEET_REPORT_H

#include "sql.h"

#include "base/text.h"

/* Sums, notices that stand, and at most most units, the most pressing first. */
enum sql_err report_portfolio(struct sql *s, int64_t now_ms, size_t most, struct text *out);

#endif
