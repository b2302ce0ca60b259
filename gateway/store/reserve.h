/*
 * reserve - some room of the disk, held for the day on which it is full.
 *
 * A full disk cannot even be cleared: SQLite needs its log to delete by, and room to put back
 * what stands in the log. So a file of RESERVE_BYTES lies beside the database,
 * "<path>.reserve", holding nothing; it is removed when a write finds the disk full, and made
 * again when there is plenty of room.
 */
#ifndef FORETRIP_STORE_RESERVE_H
#define FORETRIP_STORE_RESERVE_H

#include <stdbool.h>
#include <stdint.h>

/* The log at its usual greatest (4 MiB), once to write and once to put back. */
#define RESERVE_BYTES (INT64_C(8) * 1024 * 1024)

/* Makes the file when it is not there and when, after that, twice its size and floor_bytes are
 * still free. Without room, or where it cannot be made, nothing happens. */
void reserve_take(const char *database, int64_t floor_bytes);

/* Gives the room back; false when there was none. */
bool reserve_release(const char *database);

#endif
