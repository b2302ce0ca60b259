/*
 * directory_csv - the panel directory as a table, by RFC 4180, out and in.
 *
 *     panel,position,circuit,amps,poles,name,places
 *     main,7,main-07,15,1,Upstairs bath,"Bath, left of the basin; Bath: ceiling light"
 *
 * Out: a line for every position, those without a breaker with an empty circuit; lines end with
 * CRLF. In: panel and position say which; name is what the card says ("" takes an entered one
 * back); places, where the column is there, are the places on the circuit, parted by
 * semicolons: those that the table does not have any more are taken out of what was entered,
 * never out of what was traced. circuit, amps and poles may be there and must then agree with
 * site.cfg. Columns in any order; LF alone ends a line as well.
 *
 * Pure. Nothing is half taken: a table with a fault gives no changes at all.
 */
#ifndef FORETRIP_ANALYSIS_DIRECTORY_CSV_H
#define FORETRIP_ANALYSIS_DIRECTORY_CSV_H

#include "directory.h"

#include "base/text.h"

#define DIRECTORY_CSV_MOST 1048576 /* bytes of a table */

void directory_write_csv(const struct directory *d, struct text *out);

/* What a table, or a person, wants changed. */
enum directory_change_kind {
    CHANGE_PURPOSE,     /* of a position; "" takes it back */
    CHANGE_PLACE_ADDED, /* entered on the circuit */
    CHANGE_PLACE_GONE,  /* what was entered or traced of the place, out of the directory */
};

struct directory_change {
    enum directory_change_kind kind;
    int circuit;
    char words[DIRECTORY_WORDS_SIZE]; /* purpose, or place */
    char part[DIRECTORY_PART_SIZE];   /* of a place */
};

struct directory_changes {
    struct directory_change *list;
    size_t count;
};

/* False: why holds "line 3, column places: ...", and there are no changes. */
bool directory_read_csv(const struct site *s, const struct directory_record *r,
                        const char *bytes, size_t length, struct directory_changes *out,
                        struct text *why);
void directory_changes_free(struct directory_changes *c);

#endif
