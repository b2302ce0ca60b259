#include "reserve.h"

#include <fcntl.h>
#include <stdio.h>
#include <sys/statvfs.h>
#include <unistd.h>

static bool path_of(const char *database, char *path, size_t size)
{
    int n = snprintf(path, size, "%s.reserve", database);
    return n > 0 && (size_t)n < size;
}

void reserve_take(const char *database, int64_t floor_bytes)
{
    char path[4096];
    struct statvfs v;
    if (!path_of(database, path, sizeof path) || access(path, F_OK) == 0 ||
        statvfs(database, &v) != 0 ||
        (int64_t)((uint64_t)v.f_bavail * v.f_frsize) < floor_bytes + 3 * RESERVE_BYTES)
        return;
    int fd = open(path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0600);
    if (fd < 0)
        return;
    /* not a hole: the blocks themselves */
    int rc = posix_fallocate(fd, 0, RESERVE_BYTES);
    close(fd);
    if (rc != 0)
        unlink(path);
}

bool reserve_release(const char *database)
{
    char path[4096];
    return path_of(database, path, sizeof path) && unlink(path) == 0;
}
