/* A table of places, as somebody gives it: no crash, rows within their bounds, and what is read
 * is the same when it is written and read again. */
#include "fleet/csv.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void check_again(const struct csv_reader *r)
{
    struct text t = TEXT_INIT;
    struct csv c = {.out = &t};
    char why[100];
    for (size_t i = 0; i < r->count; i++)
        csv_words(&c, csv_cell(r, i));
    csv_end_line(&c);
    struct csv_reader again = {.at = text_get(&t)};
    bool empty = r->count == 1 && csv_cell(r, 0)[0] == '\0'; /* an empty line is none */
    if (!csv_read_row(&again, why, sizeof why) ? !empty : again.count != r->count)
        abort();
    for (size_t i = 0; i < again.count; i++)
        if (strcmp(csv_cell(&again, i), csv_cell(r, i)) != 0)
            abort();
    csv_reader_free(&again);
    text_free(&t);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *table = malloc(size + 1), why[100];
    if (!table)
        abort();
    memcpy(table, data, size);
    table[size] = '\0';
    struct csv_reader r = {.at = table};
    while (csv_read_row(&r, why, sizeof why)) {
        if (r.count == 0 || r.count > CSV_MOST_CELLS || r.line < 1)
            abort();
        check_again(&r);
    }
    if (why[0] == '\0' && *r.at != '\0')
        abort();
    csv_reader_free(&r);
    free(table);
    return 0;
}
