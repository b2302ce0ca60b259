/*
 * store_directory - places, purposes and who changed them: the panel directory on disk.
 *
 * Writing collects into the store's batch like everything of store.h; a turn's changes are one
 * transaction, so a table that is taken in is taken in as a whole.
 *
 * Threads, errors   as store.h and reader.h
 */
#ifndef FORETRIP_STORE_DIRECTORY_H
#define FORETRIP_STORE_DIRECTORY_H

#include "reader.h"

#include "model/directory.h"

/* Adds one; what it replaces is dropped before. */
void store_add_place(struct store *s, const struct directory_place *p);
/* Every row of that name and part that was traced, or entered; circuit NULL: on whichever. */
void store_drop_places(struct store *s, const char *name, const char *part, bool traced,
                       const char *circuit);
/* Replaces the position's; words "": there is none any more. */
void store_put_purpose(struct store *s, const struct directory_purpose *p);

#define DIRECTORY_UNMETERED "unmetered"

/* One line of the history of changes. "" where there was nothing. */
struct store_directory_change {
    int64_t id; /* given by the store */
    int64_t wall_ms;
    const char *who;
    const char *panel, *position; /* that it is about, may be "" */
    const char *what;             /* "purpose", "place" */
    const char *subject;          /* the place; of a purpose "" */
    const char *before,
        *after; /* "main/7, main/9" or DIRECTORY_UNMETERED; of a purpose, words */
};
void store_add_directory_change(struct store *s, const struct store_directory_change *c);

/* All of it; the caller frees it with directory_record_free. */
enum store_err store_read_directory(struct store_reader *r, struct directory_record *out);

typedef bool store_directory_change_fn(void *context, const struct store_directory_change *c);
/* Newest first, those with an id below before (0: from the newest), at most most. */
enum store_err store_read_directory_changes(struct store_reader *r, int64_t before, size_t most,
                                            store_directory_change_fn *fn, void *context);

#endif
