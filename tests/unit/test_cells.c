/* cells: every way gives the same separators and the nearest floats */
#include "check.h"

#include "drivers/cells.h"

#include <stdlib.h>

#define MOST_CELLS 4096

struct window {
    char bytes[CELLS_MARGIN + MOST_CELLS * 12 + CELLS_MARGIN];
    size_t length;
    uint32_t ends[MOST_CELLS * 12 + CELLS_MARGIN], lines[MOST_CELLS * 12 + CELLS_MARGIN];
    float values[MOST_CELLS * 12 + CELLS_MARGIN];
    size_t cells, rows;
};

static void add(struct window *w, const char *cell, char end)
{
    size_t n = strlen(cell);
    memcpy(w->bytes + CELLS_MARGIN + w->length, cell, n);
    w->length += n;
    w->bytes[CELLS_MARGIN + w->length++] = end;
}

static void convert(struct window *w, const struct cells_way *way)
{
    w->cells = way->index(w->bytes + CELLS_MARGIN, w->length, w->ends, w->lines, &w->rows);
    for (size_t i = 0; i < CELLS_MARGIN; i++)
        w->ends[w->cells + i] = w->ends[w->cells - 1];
    way->numbers(w->bytes + CELLS_MARGIN, w->ends, w->cells, w->values);
}

static uint32_t bits(float v)
{
    uint32_t b;
    memcpy(&b, &v, sizeof b);
    return b;
}

static uint64_t next_random(uint64_t *state) /* splitmix64, public domain (Vigna) */
{
    uint64_t z = (*state += 0x9E3779B97F4A7C15U);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9U;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBU;
    return z ^ (z >> 31);
}

/* what the header promises: the double nearest to the text, then the float nearest to that,
 * which for so few digits is the float nearest to the text; and no negative zero */
static float wanted(const char *text)
{
    return (float)strtod(text, NULL) + 0.0F;
}

static void check_window(struct window *w, char (*texts)[16])
{
    const struct cells_way *ways[CELLS_MOST_WAYS];
    size_t count = cells_ways(ways);
    for (size_t k = 0; k < count; k++) {
        convert(w, ways[k]);
        for (size_t i = 0; i < w->cells; i++) {
            float v = w->values[i], any = -1.0F;
            assert_int_equal(cells_number(texts[i], strlen(texts[i]), &any), CELL_NUMBER);
            if (bits(any) != bits(wanted(texts[i])))
                fail_msg("cells_number(%s) is %.9g", texts[i], (double)any);
            if (k == 0 ? !isnan(v) : bits(v) != bits(any))
                fail_msg("%s: \"%s\" became %.9g", ways[k]->name, texts[i], (double)v);
        }
    }
    w->length = 0;
}

/* digits with a point at any place or none, with and without a minus: up to 8 bytes */
static void the_usual_shapes_become_the_nearest_float(void **state)
{
    static struct window w;
    static char texts[MOST_CELLS][16];
    uint64_t seed = 1;
    size_t n = 0;
    (void)state;
    for (int round = 0; round < 300000; round++) {
        char *t = texts[n];
        uint64_t r = next_random(&seed);
        size_t minus = (r & 7) == 0, digits = 1 + (r >> 3) % (8 - minus), at = 0;
        size_t point = (r >> 8) % 8; /* digits before it */
        if (minus)
            t[at++] = '-';
        for (size_t d = 0; d < digits; d++) {
            if (d == point && digits + minus < 8)
                t[at++] = '.';
            t[at++] = (char)('0' + (next_random(&seed) >> 20) % 10);
        }
        if (point == digits && digits + minus < 8)
            t[at++] = '.';
        t[at] = '\0';
        add(&w, t, n % 11 == 10 ? '\n' : ',');
        if (++n == MOST_CELLS) {
            check_window(&w, texts);
            n = 0;
        }
    }
}

static void every_hundredth_and_tenth_of_a_meter_is_right(void **state)
{
    static struct window w;
    static char texts[MOST_CELLS][16];
    size_t n = 0;
    (void)state;
    for (int v = -9999; v <= 99999; v++)
        for (int decimals = 1; decimals <= 3; decimals++) {
            snprintf(texts[n], sizeof texts[n], "%.*f", decimals,
                     decimals == 1   ? v / 10.0
                     : decimals == 2 ? v / 100.0
                                     : v / 1000.0);
            if (strlen(texts[n]) > 8)
                continue;
            add(&w, texts[n], ',');
            if (++n == MOST_CELLS) {
                check_window(&w, texts);
                n = 0;
            }
        }
}

static void what_is_not_of_the_usual_shape_is_left_alone(void **state)
{
    static const char *const texts[] = {
        "",       "-",     ".",     "-.",    "1.2.3",   "..5",     "1..2",      "5..",
        "--1",    "1-2",   "+1",    "1e3",   " 1",      "1 ",      "1:2",       "1/2",
        "/",      ":",     "0x10",  "nan",   "inf",     "1.2\r",   "1\t",       "123456789",
        "1;2",    "\"1\"", "1'000", "-.-",   ".-1",     "1.-2",    "\xB1.00",   "1\x80",
        "0.\xFF", "--.",   "-1-",   "1.23.", "12.3.45", "-1.2.3.", "-1234.567", ".1.2.3.4",
    };
    static struct window w;
    const struct cells_way *ways[CELLS_MOST_WAYS];
    (void)state;
    size_t count = cells_ways(ways), n = sizeof texts / sizeof texts[0];
    w.length = 0;
    for (size_t i = 0; i < n; i++)
        add(&w, texts[i], ',');
    for (size_t k = 0; k < count; k++) {
        convert(&w, ways[k]);
        assert_int_equal(w.cells, n);
        for (size_t i = 0; i < n; i++)
            if (!isnan(w.values[i]))
                fail_msg("%s took \"%s\" for %g", ways[k]->name, texts[i], (double)w.values[i]);
    }
}

static void any_number_is_taken_and_nothing_else(void **state)
{
    static const struct {
        const char *text;
        enum cell_kind kind;
        float value;
    } cases[] = {
        {"", CELL_EMPTY, 0},
        {" \t\r", CELL_EMPTY, 0},
        {" 12.5 ", CELL_NUMBER, 12.5F},
        {"12.5\r", CELL_NUMBER, 12.5F},
        {"+3", CELL_NUMBER, 3.0F},
        {".5", CELL_NUMBER, 0.5F},
        {"5.", CELL_NUMBER, 5.0F},
        {"-1.25E-2", CELL_NUMBER, -0.0125F},
        {"1e3", CELL_NUMBER, 1000.0F},
        {"-0.00", CELL_NUMBER, 0.0F},
        {"0.1000000014901161193847656251", CELL_NUMBER, 0.1F},
        {"16777217", CELL_NUMBER, 16777216.0F}, /* a tie: to even */
        {"16777219", CELL_NUMBER, 16777220.0F},
        {"1e999", CELL_NUMBER, (float)INFINITY},
        {"nan", CELL_BAD, 0},
        {"inf", CELL_BAD, 0},
        {"0x1p3", CELL_BAD, 0},
        {"1,5", CELL_BAD, 0},
        {"1 5", CELL_BAD, 0},
        {"1e", CELL_BAD, 0},
        {"1e+", CELL_BAD, 0},
        {"e5", CELL_BAD, 0},
        {".", CELL_BAD, 0},
        {"-", CELL_BAD, 0},
        {"\"5\"", CELL_BAD, 0},
        {"00000000000000000000000000000000000000000000000000000000000000001", CELL_BAD, 0},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        float v = 77.0F;
        enum cell_kind kind = cells_number(cases[i].text, strlen(cases[i].text), &v);
        if (kind != cases[i].kind)
            fail_msg("\"%s\" is of kind %d", cases[i].text, (int)kind);
        if (bits(v) != bits(kind == CELL_NUMBER ? cases[i].value : 77.0F))
            fail_msg("\"%s\" became %.9g", cases[i].text, (double)v);
    }
}

static void every_way_finds_the_same_separators(void **state)
{
    static struct window a, b;
    const struct cells_way *ways[CELLS_MOST_WAYS];
    size_t count = cells_ways(ways);
    uint64_t seed = 7;
    (void)state;
    for (size_t length = 1; length < 700; length++) {
        for (size_t i = 0; i < length + CELLS_MARGIN; i++) {
            unsigned r = (unsigned)(next_random(&seed) >> 33) % 16;
            char c = r < 5 ? ',' : r < 7 ? '\n' : r == 7 ? (char)0xAC : r == 8 ? '\x8A' : '4';
            a.bytes[CELLS_MARGIN + i] = b.bytes[CELLS_MARGIN + i] = c;
        }
        a.cells = ways[0]->index(a.bytes + CELLS_MARGIN, length, a.ends, a.lines, &a.rows);
        for (size_t k = 1; k < count; k++) {
            b.cells = ways[k]->index(b.bytes + CELLS_MARGIN, length, b.ends, b.lines, &b.rows);
            assert_int_equal(a.cells, b.cells);
            assert_int_equal(a.rows, b.rows);
            assert_memory_equal(a.ends, b.ends, a.cells * sizeof a.ends[0]);
            assert_memory_equal(a.lines, b.lines, a.rows * sizeof a.lines[0]);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_usual_shapes_become_the_nearest_float),
        cmocka_unit_test(every_hundredth_and_tenth_of_a_meter_is_right),
        cmocka_unit_test(what_is_not_of_the_usual_shape_is_left_alone),
        cmocka_unit_test(any_number_is_taken_and_nothing_else),
        cmocka_unit_test(every_way_finds_the_same_separators),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
