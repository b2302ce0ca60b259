/* What anybody may publish as a command to the edge node: no crash, whatever the bytes, and a
 * rebirth only where the bytes can hold one. */
#include "notify/sparkplug_payload.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const char rebirth[] = "Node Control/Rebirth";
    bool asks = sparkplug_payload_asks_rebirth(data, size);
    if (asks && !(size >= sizeof rebirth && memmem(data, size, rebirth, sizeof rebirth - 1)))
        abort();
    return 0;
}
