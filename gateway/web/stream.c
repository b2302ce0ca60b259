#include "stream.h"

#include "base/heap.h"

#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Bytes are numbered from the beginning of the stream; byte n stands at n % size. What lies
 * more than size before the end has been written over. */
struct stream {
    pthread_mutex_t lock;
    size_t size;
    uint64_t end;
    char bytes[];
};

static const char again[] = "event: again\ndata: {}\n\n";

struct stream *stream_create(size_t bytes)
{
    struct stream *s = heap_table(1, sizeof *s + bytes);
    if (!s)
        return NULL;
    s->size = bytes;
    pthread_mutex_init(&s->lock, NULL);
    return s;
}

void stream_destroy(struct stream *s)
{
    if (!s)
        return;
    pthread_mutex_destroy(&s->lock);
    free(s);
}

static void put(struct stream *s, const char *bytes, size_t n)
{
    while (n > 0) {
        size_t at = (size_t)(s->end % s->size), room = s->size - at;
        size_t now = n < room ? n : room;
        memcpy(s->bytes + at, bytes, now);
        s->end += now;
        bytes += now;
        n -= now;
    }
}

void stream_write(struct stream *s, const char *event, int64_t id, const char *data)
{
    char head[128];
    int n = snprintf(head, sizeof head, "event: %.40s\n", event);
    if (id >= 0)
        n += snprintf(head + n, sizeof head - (size_t)n, "id: %lld\n", (long long)id);
    n += snprintf(head + n, sizeof head - (size_t)n, "data: ");
    size_t length = strlen(data);
    if (length > s->size / 2)
        return;
    pthread_mutex_lock(&s->lock);
    put(s, head, (size_t)n);
    put(s, data, length);
    put(s, "\n\n", 2);
    pthread_mutex_unlock(&s->lock);
}

struct stream_cursor stream_now(struct stream *s)
{
    pthread_mutex_lock(&s->lock);
    struct stream_cursor c = {.at = s->end};
    pthread_mutex_unlock(&s->lock);
    return c;
}

/* to the beginning of a message: what a reader lost may have ended in the middle of one */
static size_t begin_anew(struct stream *s, struct stream_cursor *c, char *out, size_t size)
{
    if (size < sizeof again + 1)
        return 0;
    c->at = s->end;
    out[0] = out[1] = '\n'; /* ends whatever was half told */
    memcpy(out + 2, again, sizeof again - 1);
    return sizeof again + 1;
}

size_t stream_read(struct stream *s, struct stream_cursor *c, char *out, size_t size)
{
    size_t n = 0;
    pthread_mutex_lock(&s->lock);
    if (s->end - c->at > s->size) {
        n = begin_anew(s, c, out, size);
    } else {
        for (; c->at < s->end && n < size;) {
            size_t at = (size_t)(c->at % s->size), run = s->size - at;
            if (run > s->end - c->at)
                run = (size_t)(s->end - c->at);
            if (run > size - n)
                run = size - n;
            memcpy(out + n, s->bytes + at, run);
            c->at += run;
            n += run;
        }
    }
    pthread_mutex_unlock(&s->lock);
    return n;
}
