/* A block of readings as a damaged card may give it back: no crash, and never more rows than
 * there can be. Input: the index asked for, then the bytes. */
#include "store/block.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    int64_t wall_ms[BLOCK_ROWS];
    double values[BLOCK_ROWS];
    size_t rows = 0;
    if (size == 0)
        return 0;
    if (!block_read(data + 1, size - 1, 0, 3, 1, data[0] % 15, wall_ms, values, &rows))
        return 0;
    if (rows == 0 || rows > BLOCK_ROWS)
        abort();
    for (size_t i = 0; i < rows; i++)
        if (isinf(values[i]) || (i > 0 && wall_ms[i] < wall_ms[i - 1]))
            abort();
    return 0;
}
