#include "health.h"

static int64_t pause_us(int pauses, int64_t period_us)
{
    int64_t least = period_us, most = 4 * period_us;
    if (least < HEALTH_LEAST_PAUSE_US)
        least = HEALTH_LEAST_PAUSE_US;
    if (most < HEALTH_MOST_PAUSE_US)
        most = HEALTH_MOST_PAUSE_US;
    for (int i = 0; i < pauses && least < most; i++)
        least *= 2;
    return least < most ? least : most;
}

void health_fail(struct health *h, int tries, int64_t now_us, int64_t period_us)
{
    if (!h->failing)
        *h = (struct health){.failing = true, .since_us = now_us};
    h->tries += tries;
    h->next_try_us = now_us + pause_us(h->pauses, period_us);
    if (h->pauses < 32)
        h->pauses++;
}

int64_t health_recover(struct health *h, int64_t now_us)
{
    int64_t seconds = h->failing && h->said ? (now_us - h->since_us + 500000) / 1000000 : -1;
    *h = (struct health){0};
    return seconds;
}
