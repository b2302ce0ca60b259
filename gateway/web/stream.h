/*
 * stream - live messages for many readers, in the form of server-sent events.
 *
 * One writer appends whole messages to a bounded ring; every reader holds a cursor of its own
 * and copies out at its own pace. A reader that falls behind the ring is told to begin anew
 * ("event: again") instead of being waited for, so one slow phone costs nobody anything, and
 * memory is one ring however many read.
 *
 * The form is that of the HTML standard, "Server-sent events": lines "event:", "id:", "data:",
 * closed by an empty one.
 *
 * Ownership  stream_create .. stream_destroy
 * Threads    safe; a cursor belongs to one thread at a time
 */
#ifndef FORETRIP_WEB_STREAM_H
#define FORETRIP_WEB_STREAM_H

#include <stddef.h>
#include <stdint.h>

/* Of the ring: all circuits at once in one message, a few seconds of that. */
#define STREAM_BYTES(circuits) ((size_t)96 * 1024 + (circuits) * (size_t)2048)

struct stream;

struct stream_cursor {
    uint64_t at; /* the byte of the stream that comes next */
};

struct stream *stream_create(size_t bytes);
void stream_destroy(struct stream *s);

/* A message; id below 0: without one. data is one line. One that is longer than half of the
 * ring is left out. */
void stream_write(struct stream *s, const char *event, int64_t id, const char *data);

/* From now on. */
struct stream_cursor stream_now(struct stream *s);

/* Copies what is there for this cursor, at most size bytes; 0: nothing at the moment. */
size_t stream_read(struct stream *s, struct stream_cursor *c, char *out, size_t size);

#endif
