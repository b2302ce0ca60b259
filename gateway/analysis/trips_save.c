#include "trips_state.h"

void trips_save(const struct trips *t, struct codec_out *out)
{
    (void)t;
    codec_end(out, codec_begin(out, 0x54524950));
}

bool trips_load(struct trips *t, struct codec_in *in)
{
    (void)t;
    return !in->failed;
}
