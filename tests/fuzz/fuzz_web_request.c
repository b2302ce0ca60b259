/* What anybody may ask of the page: no crash, and an answer within its bounds that is JSON or a
 * file of the page.
 *
 * Input, line by line: method, path, query ("a=b&c"), host, origin, content type,
 * if-none-match; the rest is the body. An empty line leaves the header out. */
#include "config/reader.h"
#include "web/answer.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static const char site_text[] =
    "site = { id = \"s\"; name = \"S\"; timezone = \"UTC\"; standard = \"UL489\"; "
    "nominal_volts = 120.0; };"
    "panels = ( { id = \"main\"; name = \"Main\"; legs = 2; rating_amps = 100; } );"
    "circuits = ( { id = \"main-1\"; panel = \"main\"; position = \"1\"; name = \"One\"; poles "
    "= 1; leg = \"A\"; "
    "breaker_amps = 15; }, { id = \"main-2\"; panel = \"main\"; position = \"2,4\"; name = "
    "\"Two\"; poles = 2; "
    "leg = \"AB\"; breaker_amps = 30; } );";

/* the line as a string of its own, so that reading past it is seen */
static char *take_line(const uint8_t **data, size_t *size)
{
    const uint8_t *end = memchr(*data, '\n', *size);
    size_t n = end ? (size_t)(end - *data) : *size;
    char *line = malloc(n + 1);
    if (!line)
        abort();
    memcpy(line, *data, n);
    line[n] = '\0';
    *data += n + (end != NULL);
    *size -= n + (end != NULL);
    return line;
}

static void take_query(char *text, struct web_request *r)
{
    for (char *pair; (pair = strsep(&text, "&")) && r->query_count < WEB_MOST_PAIRS;) {
        char *value = strchr(pair, '=');
        if (value)
            *value++ = '\0';
        r->query[r->query_count++] = (struct web_pair){pair, value ? value : ""};
    }
}

static void check(const struct web_answer *a)
{
    if (a->kind == WEB_STREAM)
        return;
    if (a->status < 200 || a->status > 599 || (a->kind == WEB_ASK && !a->verb))
        abort();
    if (a->fixed || a->status == 304 || a->filename)
        return;
    json_t *o = json_loads(text_get(&a->body), 0, NULL);
    if (!json_is_object(o) || (a->status != 200 && !json_object_get(o, "error")))
        abort();
    json_decref(o);
}

static void answer(const struct site *site, const struct web_request *r)
{
    struct board *board = board_create(site->circuit_count);
    struct store_reader *reader = store_reader_open("/nonexistent/foretrip.db");
    struct web_answer a = {0};
    if (!board || !reader)
        abort();
    board_set_state(board, 0, "{\"circuit\":\"main-1\",\"loads\":[{\"amps\":1.0}]}");
    const struct web_context x = {.site = site, .board = board, .local = true};
    web_answer_request(&x, reader, r, INT64_C(1767254400000), &a);
    check(&a);
    web_answer_free(&a);
    store_reader_close(reader);
    board_destroy(board);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *lines[7];
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    const struct config_text text = {"site.cfg", site_text, sizeof site_text - 1};
    if (!config_load_memory(&c, &text, 1, &faults))
        abort();
    for (int i = 0; i < 7; i++)
        lines[i] = take_line(&data, &size);
    char *body = malloc(size + 1);
    if (!body)
        abort();
    memcpy(body, data, size);
    body[size] = '\0';
    struct web_request r = {.method = lines[0],
                            .path = lines[1],
                            .host = lines[3][0] ? lines[3] : NULL,
                            .origin = lines[4][0] ? lines[4] : NULL,
                            .content_type = lines[5][0] ? lines[5] : NULL,
                            .if_none_match = lines[6][0] ? lines[6] : NULL,
                            .body = body,
                            .body_length = size};
    take_query(lines[2], &r);
    answer(&c.site, &r);
    for (int i = 0; i < 7; i++)
        free(lines[i]);
    free(body);
    faults_free(&faults);
    config_free(&c);
    return 0;
}
