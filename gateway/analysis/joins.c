#include "joins.h"

void joins_look(struct joins *j, int64_t ms, double rate)
{
    j->expected += j->rate * (float)ms * 1e-3F;
    j->rate = (float)rate;
    if (j->expected > JOINS_KEPT) {
        j->expected *= 0.5F;
        j->opened *= 0.5F;
    }
}

void joins_rose(struct joins *j, int64_t wall_ms)
{
    j->rose_wall_ms = wall_ms;
}

void joins_opened(struct joins *j, int64_t wall_ms)
{
    int64_t after = wall_ms - j->rose_wall_ms;
    if (j->rose_wall_ms == 0 || after < 0 || after > JOINS_LATEST_MS)
        return;
    j->opened += 1.0F;
    j->rose_wall_ms = 0;
}

double joins_share(const struct joins *j)
{
    return ((double)j->opened + 1.0) / ((double)j->expected + 1.0 / JOINS_COME);
}

bool joins_empty(const struct joins *j)
{
    return !(j->expected > 0.0F || j->opened > 0.0F);
}

void joins_save(const struct joins *j, struct codec_out *out)
{
    codec_put_f32(out, j->expected);
    codec_put_f32(out, j->opened);
}

bool joins_load(struct joins *j, struct codec_in *in)
{
    struct joins found = {0};
    found.expected = codec_get_f32(in);
    found.opened = codec_get_f32(in);
    in->failed |= !(found.expected >= 0.0F && found.opened >= 0.0F);
    if (in->failed)
        return false;
    *j = found;
    return true;
}
