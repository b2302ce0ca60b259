#include "retention.h"

struct retention retention_defaults(void)
{
    return (struct retention){
        .readings_days = 366, /* a year, whichever */
        .summaries_days = 3653,
        .loads_days = 3653,
        .size_mb = 0.0,
        .free_mb = 64.0,
    };
}
