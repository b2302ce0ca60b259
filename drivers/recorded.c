#include "recorded.h"

#include "drivers/recorded_time.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define BUFFER_BYTES                                                                           \
    ((size_t)256 * 1024) /* what is read at once: stays in the second-level cache */
#define WINDOW_BYTES ((size_t)16 * 1024) /* what is indexed at once: stays in the first */

/* One entry for each column behind `time`, in the order of the file. */
struct columns {
    size_t count;
    uint32_t *target;   /* index in the frame */
    uint32_t *together; /* so many from here on lie side by side in the frame, too */
    float *least, *most, *floor;
    void *memory;
};

struct recorded {
    const struct site *site;
    struct recorded_input input;
    int fd; /* -1 when the source is the caller's */
    const struct cells_way *way;
    struct recorded_time time;

    struct columns columns;
    uint32_t has;
    size_t frame_count; /* values of a frame */

    char *buffer; /* CELLS_MARGIN before, and that and a line end behind `capacity` */
    size_t capacity, at, end;
    bool no_more; /* the source has ended */

    /* the window: text from buffer + at on, indexed up to a line end */
    uint32_t *ends, *lines; /* as in cells.h */
    float *values;
    size_t window_capacity, rows;
    size_t row, cell; /* what comes next, and its first cell */

    uint64_t line; /* of the row that comes next, from 1 */
    struct recorded_counts counts;
    struct text problem;
};

/* ---- text into windows --------------------------------------------------------------------
 */

static const char *window_text(const struct recorded *r)
{
    return r->buffer + CELLS_MARGIN + r->at;
}

static bool grow_buffer(struct recorded *r)
{
    if (r->capacity >= RECORDED_MAX_LINE) {
        text_printf(&r->problem, "%s:%llu: the line is longer than %zu bytes", r->input.name,
                    (unsigned long long)r->line, RECORDED_MAX_LINE);
        return false;
    }
    size_t first = r->input.room ? r->input.room : BUFFER_BYTES;
    size_t capacity = r->capacity ? r->capacity * 2 : first;
    char *grown = realloc(r->buffer, capacity + 2 * (size_t)CELLS_MARGIN + 1);
    if (!grown) {
        text_printf(&r->problem, "%s: memory is short", r->input.name);
        return false;
    }
    memset(grown + CELLS_MARGIN + r->capacity, 0, capacity - r->capacity + CELLS_MARGIN + 1);
    memset(grown, 0, CELLS_MARGIN);
    r->buffer = grown;
    r->capacity = capacity;
    return true;
}

static bool grow_window(struct recorded *r, size_t bytes)
{
    if (bytes <= r->window_capacity)
        return true;
    free(r->ends);
    free(r->lines);
    free(r->values);
    if (bytes < 2 * r->window_capacity) /* what comes in small pieces makes it grow often */
        bytes = 2 * r->window_capacity;
    r->ends = calloc(bytes + CELLS_MARGIN, sizeof *r->ends);
    r->lines = calloc(bytes + CELLS_MARGIN, sizeof *r->lines);
    r->values = calloc(bytes + CELLS_MARGIN, sizeof *r->values);
    if (!r->ends || !r->lines || !r->values) {
        text_printf(&r->problem, "%s: memory is short", r->input.name);
        return false;
    }
    r->window_capacity = bytes;
    return true;
}

/* More text behind what is there. False at the end, or with a problem. */
static bool refill(struct recorded *r)
{
    char *text = r->buffer + CELLS_MARGIN;
    memmove(text, text + r->at, r->end - r->at);
    r->end -= r->at;
    r->at = 0;
    if (r->no_more || (r->end == r->capacity && !grow_buffer(r)))
        return false;
    text = r->buffer + CELLS_MARGIN;
    ptrdiff_t n = r->input.source(r->input.context, text + r->end, r->capacity - r->end);
    if (n < 0) {
        text_printf(&r->problem, "%s: %s", r->input.name, strerror(errno));
        return false;
    }
    r->end += (size_t)n;
    if (n == 0) {
        r->no_more = true;
        if (r->end > 0 && text[r->end - 1] != '\n')
            text[r->end++] = '\n'; /* a last line without its end counts */
    }
    return r->end > 0;
}

/* Indexes whole lines from `at` on, as many as fit a window and one at least. */
static bool next_window(struct recorded *r)
{
    size_t bytes = WINDOW_BYTES;
    for (;;) {
        size_t length = r->end - r->at < bytes ? r->end - r->at : bytes;
        if (!grow_window(r, length))
            return false;
        r->row = r->cell = 0;
        r->way->index(window_text(r), length, r->ends, r->lines, &r->rows);
        if (r->rows > 0) {
            size_t cells = r->lines[r->rows - 1] + 1; /* without a row that is cut */
            for (size_t i = 0; i < CELLS_MARGIN; i++) /* the passes read over the end */
                r->ends[cells + i] = r->ends[cells - 1];
            r->way->numbers(window_text(r), r->ends, cells, r->values);
            return true;
        }
        if (length < r->end - r->at)
            bytes *= 2;
        else if (!refill(r))
            return false;
    }
}

static size_t cell_begin(const struct recorded *r, size_t cell)
{
    return cell == 0 ? 0 : r->ends[cell - 1] + 1;
}

static void row_done(struct recorded *r)
{
    size_t last = r->lines[r->row];
    r->line++;
    r->cell = last + 1;
    if (++r->row == r->rows)
        r->at += r->ends[last] + 1;
}

/* ---- sentences ----------------------------------------------------------------------------
 */

static bool is_blank(char c)
{
    return c == ' ' || c == '\t' || c == '\r';
}

static inline void trim(const char **s, size_t *length)
{
    for (; *length > 0 && is_blank((*s)[0]); (*length)--)
        (*s)++;
    while (*length > 0 && is_blank((*s)[*length - 1]))
        (*length)--;
}

static void append_quoted(struct text *t, const char *s, size_t length)
{
    trim(&s, &length);
    text_append(t, "\"");
    for (size_t i = 0; i < length && i < 40; i++)
        text_printf(t, "%c", s[i] >= ' ' && s[i] <= '~' ? s[i] : '?');
    text_append(t, length > 40 ? "...\"" : "\"");
}

static void problem_at(struct recorded *r)
{
    text_printf(&r->problem, "%s:%llu: ", r->input.name, (unsigned long long)r->line);
}

static void problem_column(struct recorded *r, size_t column)
{
    char name[SITE_ID_SIZE + 16];
    frame_column_name(r->site, r->columns.target[column], name, sizeof name);
    problem_at(r);
    text_printf(&r->problem, "column \"%s\": ", name);
}

/* ---- rows ---------------------------------------------------------------------------------
 */

/* A cell that is not a number of the usual shape within its bounds. False with a problem. */
static bool unusual_cell(struct recorded *r, size_t column, float *value, size_t *missing)
{
    const struct columns *c = &r->columns;
    size_t cell = r->cell + 1 + column;
    const char *s = window_text(r) + cell_begin(r, cell);
    size_t length = r->ends[cell] - cell_begin(r, cell);
    float v = (float)NAN;
    enum cell_kind kind = cells_number(s, length, &v);
    if (kind == CELL_BAD) {
        problem_column(r, column);
        append_quoted(&r->problem, s, length);
        text_append(&r->problem, " is not a number; no reading is an empty cell");
        return false;
    }
    if (v >= c->least[column] && v <= c->most[column]) {
        *value = v > c->floor[column] ? v : c->floor[column];
        return true;
    }
    *value = (float)NAN;
    (*missing)++;
    if (kind == CELL_NUMBER && r->counts.refused++ == 0) {
        char name[SITE_ID_SIZE + 16];
        frame_column_name(r->site, c->target[column], name, sizeof name);
        snprintf(r->counts.first_refused, sizeof r->counts.first_refused, "%llu: column \"%s\"",
                 (unsigned long long)r->line, name);
    }
    return true;
}

static bool take_time(struct recorded *r)
{
    const char *s = window_text(r) + cell_begin(r, r->cell);
    size_t length = r->ends[r->cell] - cell_begin(r, r->cell);
    trim(&s, &length);
    uint64_t set_back = r->time.set_back;
    if (recorded_time_take(&r->time, s, length)) {
        if (set_back == 0 && r->time.set_back > 0)
            r->counts.first_set_back_line = r->line;
        return true;
    }
    problem_at(r);
    text_append(&r->problem, "column \"time\": ");
    append_quoted(&r->problem, s, length);
    text_append(&r->problem, " is neither RFC 3339 nor Unix seconds");
    return false;
}

/* Puts the cells from `from` on into the frame until one is unusual; returns its column. */
static size_t take_usual(const struct recorded *r, size_t from, float *frame)
{
    const struct columns *c = &r->columns;
    const float *values = r->values + r->cell + 1;
    size_t i = from;
    while (i < c->count) {
        struct cells_bounds bounds = {c->least + i, c->most + i, c->floor + i};
        size_t n = r->way->deliver(values + i, bounds, c->together[i], frame + c->target[i]);
        i += n;
        if (n < c->together[i - n])
            break;
    }
    return i;
}

static bool take_row(struct recorded *r, struct frame *f)
{
    size_t missing = 0;
    for (size_t i = 0; (i = take_usual(r, i, f->values)) < r->columns.count; i++)
        if (!unusual_cell(r, i, &f->values[r->columns.target[i]], &missing))
            return false;
    if (!take_time(r))
        return false;
    f->wall_ms = r->time.wall_ms;
    f->mono_ms = r->time.mono_ms;
    f->utc_offset_seconds = r->time.utc_offset_seconds;
    f->has = r->has;
    r->counts.readings += r->columns.count - missing;
    return true;
}

static bool is_blank_line(const struct recorded *r)
{
    if (r->lines[r->row] != r->cell)
        return false;
    const char *s = window_text(r) + cell_begin(r, r->cell);
    size_t length = r->ends[r->cell] - cell_begin(r, r->cell);
    trim(&s, &length);
    return length == 0;
}

static bool right_count(struct recorded *r)
{
    size_t cells = r->lines[r->row] + 1 - r->cell;
    if (cells == r->columns.count + 1)
        return true;
    problem_at(r);
    text_printf(&r->problem, "%zu cell%s, but the header names %zu columns", cells,
                cells == 1 ? "" : "s", r->columns.count + 1);
    return false;
}

size_t recorded_read(struct recorded *r, struct frame *const frames[], size_t n)
{
    size_t done = 0;
    while (done < n && r->problem.length == 0) {
        if (r->row == r->rows && !next_window(r))
            break;
        if (is_blank_line(r)) {
            row_done(r);
            continue;
        }
        assert(frames[done]->count == r->frame_count);
        if (!right_count(r) || !take_row(r, frames[done]))
            break;
        row_done(r);
        done++;
    }
    return done;
}

const char *recorded_problem(const struct recorded *r)
{
    return text_get(&r->problem);
}

void recorded_counts(const struct recorded *r, struct recorded_counts *out)
{
    *out = r->counts;
    out->rows = r->time.rows;
    out->set_back = r->time.set_back;
}

/* ---- the header ---------------------------------------------------------------------------
 */

static enum frame_quantity quantity_of(const struct site *s, size_t target)
{
    bool of_panel = target >= 4 * s->poles_total;
    return of_panel ? FRAME_PANEL_VOLTS : (enum frame_quantity)(target / s->poles_total);
}

/* the bounds of frame_checked */
static void set_bounds(struct columns *c, size_t i, enum frame_quantity q)
{
    switch (q) {
    case FRAME_AMPS:
        c->least[i] = -0.1F;
        c->most[i] = FRAME_MAX_AMPS;
        c->floor[i] = 0.0F;
        return;
    case FRAME_WATTS: c->most[i] = FRAME_MAX_WATTS; break;
    case FRAME_POWER_FACTOR: c->most[i] = 1.0F; break;
    case FRAME_VOLTS:
    case FRAME_PANEL_VOLTS:
        c->most[i] = FRAME_MAX_VOLTS;
        c->least[i] = c->floor[i] = 0.0F;
        return;
    }
    c->least[i] = c->floor[i] = -c->most[i];
}

static bool create_columns(struct columns *c, size_t count)
{
    size_t room = count + CELLS_MARGIN;
    c->memory = calloc(room, 2 * sizeof *c->target + 3 * sizeof *c->least);
    if (!c->memory)
        return false;
    c->target = c->memory;
    c->together = c->target + room;
    c->least = (void *)(c->together + room);
    c->most = c->least + room;
    c->floor = c->most + room;
    return true;
}

static void find_neighbours(struct columns *c)
{
    for (size_t i = c->count; i-- > 0;) {
        bool side_by_side = i + 1 < c->count && c->target[i + 1] == c->target[i] + 1;
        c->together[i] = side_by_side ? c->together[i + 1] + 1 : 1;
    }
}

static void append_nearest(struct recorded *r, const char *name, size_t length)
{
    char wanted[SITE_ID_SIZE + 16], each[SITE_ID_SIZE + 16], best[SITE_ID_SIZE + 16] = "";
    if (length >= sizeof wanted)
        return;
    memcpy(wanted, name, length);
    wanted[length] = '\0';
    size_t least = 4; /* farther is no help */
    for (size_t i = 0; i < frame_count(r->site); i++) {
        frame_column_name(r->site, i, each, sizeof each);
        size_t d = text_distance(wanted, each);
        if (d < least) {
            least = d;
            text_copy(best, sizeof best, each);
        }
    }
    if (best[0])
        text_printf(&r->problem, "; the nearest is \"%s\"", best);
}

static bool add_column(struct recorded *r, const char *name, size_t length)
{
    const char *why = NULL;
    int target = frame_find_column(r->site, name, length, &why);
    struct columns *c = &r->columns;
    bool twice = false;
    for (size_t i = 0; target >= 0 && i < c->count; i++)
        twice = twice || c->target[i] == (uint32_t)target;
    if (target >= 0 && !twice) {
        enum frame_quantity q = quantity_of(r->site, (size_t)target);
        c->target[c->count] = (uint32_t)target;
        set_bounds(c, c->count++, q);
        r->has |= 1U << q;
        return true;
    }
    problem_at(r);
    text_append(&r->problem, "column ");
    append_quoted(&r->problem, name, length);
    text_printf(&r->problem, ": %s", twice ? "given twice" : why);
    if (!twice)
        append_nearest(r, name, length);
    return false;
}

static bool read_header(struct recorded *r)
{
    if (!next_window(r)) {
        if (r->problem.length == 0)
            text_printf(&r->problem, "%s: empty; the first line names the columns",
                        r->input.name);
        return false;
    }
    size_t last = r->lines[0];
    if (!create_columns(&r->columns, last)) {
        text_printf(&r->problem, "%s: memory is short", r->input.name);
        return false;
    }
    for (size_t cell = 0; cell <= last; cell++) {
        const char *s = window_text(r) + cell_begin(r, cell);
        size_t length = r->ends[cell] - cell_begin(r, cell);
        if (cell == 0 && length >= 3 && memcmp(s, "\xEF\xBB\xBF", 3) == 0) { /* UTF-8's mark */
            s += 3;
            length -= 3;
        }
        trim(&s, &length);
        if (cell > 0 && !add_column(r, s, length))
            return false;
        if (cell == 0 && !(length == 4 && memcmp(s, "time", 4) == 0)) {
            problem_at(r);
            text_append(&r->problem, "the first column is ");
            append_quoted(&r->problem, s, length);
            text_append(&r->problem, ", it must be \"time\"");
            return false;
        }
    }
    if (last == 0) {
        problem_at(r);
        text_append(&r->problem, "no column of readings beside \"time\"");
        return false;
    }
    find_neighbours(&r->columns);
    row_done(r);
    return true;
}

/* ---- opening and closing ------------------------------------------------------------------
 */

static ptrdiff_t read_fd(void *context, char *out, size_t capacity)
{
    const int *fd = context;
    ssize_t n;
    do
        n = read(*fd, out, capacity);
    while (n < 0 && errno == EINTR);
    return n;
}

/* takes the descriptor, also when it fails */
static struct recorded *create(const struct site *s, const struct recorded_input *input, int fd,
                               struct text *problem)
{
    struct recorded *r = calloc(1, sizeof *r);
    if (!r) {
        text_printf(problem, "%s: memory is short", input->name);
        if (fd >= 0)
            close(fd);
        return NULL;
    }
    r->site = s;
    r->frame_count = frame_count(s);
    r->input = *input;
    r->fd = fd;
    if (!input->source) {
        r->input.source = read_fd;
        r->input.context = &r->fd;
    }
    r->way = input->way ? input->way : cells_best();
    r->line = 1;
    recorded_time_init(&r->time, s->timezone);
    if (grow_buffer(r) && read_header(r))
        return r;
    text_append(problem, recorded_problem(r));
    recorded_close(r);
    return NULL;
}

struct recorded *recorded_create(const struct site *s, const struct recorded_input *input,
                                 struct text *problem)
{
    return create(s, input, -1, problem);
}

struct recorded *recorded_open(const struct site *s, const char *path, struct text *problem)
{
    bool standard = strcmp(path, "-") == 0;
    int fd = standard ? dup(STDIN_FILENO) : open(path, O_RDONLY | O_CLOEXEC);
    struct recorded_input input = {.name = standard ? "standard input" : path};
    if (fd < 0) {
        text_printf(problem, "%s: %s", input.name, strerror(errno));
        return NULL;
    }
    return create(s, &input, fd, problem);
}

void recorded_close(struct recorded *r)
{
    if (!r)
        return;
    if (r->fd >= 0)
        close(r->fd);
    free(r->buffer);
    free(r->ends);
    free(r->lines);
    free(r->values);
    free(r->columns.memory);
    text_free(&r->problem);
    free(r);
}
