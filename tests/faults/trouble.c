/*
 * trouble - a machine that fails on request, under a program that knows nothing of it.
 *
 * Preloaded into the daemon (LD_PRELOAD), with a file in FORETRIP_TROUBLE that the test keeps
 * mapped as well: what the test writes there is in force with the next call.
 *
 *   clock     the wall clock is set off by clock_ms and runs drift_ppm too fast since
 * drift_from (mono ns); the monotonic clocks are left as they are disk      files below the
 * folder FORETRIP_TROUBLE_FOLDER: full (no write grows or changes them), read-only, slow (every
 * write and sync takes disk_ms) memory    every n-th allocation fails; n = 0: none
 *
 * What was refused is counted in the same file, so that a test knows that there was trouble.
 */
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

enum { DISK_GOOD, DISK_FULL, DISK_READ_ONLY, DISK_SLOW };

/* the layout that faults.py maps: eight little-endian 64-bit numbers */
struct trouble {
    _Atomic int64_t clock_ms, drift_ppm, drift_from_ns;
    _Atomic int64_t disk, disk_ms;
    _Atomic int64_t memory_every;
    _Atomic int64_t disk_refused, memory_refused;
};

static struct trouble *trouble;
static char folder[1024];

static void __attribute__((constructor)) begin(void)
{
    const char *path = getenv("FORETRIP_TROUBLE"), *below = getenv("FORETRIP_TROUBLE_FOLDER");
    int fd = path ? (int)syscall(SYS_openat, AT_FDCWD, path, O_RDWR | O_CLOEXEC) : -1;
    if (fd < 0)
        return;
    snprintf(folder, sizeof folder, "%s", below ? below : "/nowhere");
    void *at = mmap(NULL, sizeof *trouble, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    close(fd);
    if (at != MAP_FAILED)
        trouble = at;
}

/* ---- the clock ---- */

static int64_t now_ns(clockid_t clock)
{
    struct timespec t;
    syscall(SYS_clock_gettime, clock, &t);
    return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

static int64_t wall_ns(void)
{
    int64_t ns = now_ns(CLOCK_REALTIME);
    if (!trouble)
        return ns;
    ns += trouble->clock_ms * 1000000;
    if (trouble->drift_ppm != 0)
        ns += (now_ns(CLOCK_MONOTONIC) - trouble->drift_from_ns) / 1000000 * trouble->drift_ppm;
    return ns;
}

int clock_gettime(clockid_t clock, struct timespec *t)
{
    if (clock != CLOCK_REALTIME && clock != CLOCK_REALTIME_COARSE)
        return (int)syscall(SYS_clock_gettime, clock, t);
    int64_t ns = wall_ns();
    t->tv_sec = ns / 1000000000;
    t->tv_nsec = ns % 1000000000;
    return 0;
}

int gettimeofday(struct timeval *restrict t, void *restrict zone)
{
    int64_t ns = wall_ns();
    (void)zone;
    t->tv_sec = ns / 1000000000;
    t->tv_usec = ns % 1000000000 / 1000;
    return 0;
}

time_t time(time_t *out)
{
    time_t t = (time_t)(wall_ns() / 1000000000);
    if (out)
        *out = t;
    return t;
}

/* ---- the disk ---- */

static int below_folder(const char *path)
{
    return trouble && trouble->disk != DISK_GOOD && path &&
           strncmp(path, folder, strlen(folder)) == 0;
}

static int concerns(int fd)
{
    char link[64], path[1024];
    if (!trouble || trouble->disk == DISK_GOOD)
        return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path - 1);
    if (n < 0)
        return 0;
    path[n] = '\0';
    return below_folder(path);
}

/* 0 when the write may go on, else errno is set */
static int refused(void)
{
    if (trouble->disk == DISK_SLOW) {
        struct timespec t = {trouble->disk_ms / 1000, trouble->disk_ms % 1000 * 1000000};
        nanosleep(&t, NULL);
        trouble->disk_refused++;
        return 0;
    }
    trouble->disk_refused++;
    errno = trouble->disk == DISK_FULL ? ENOSPC : EROFS;
    return -1;
}

ssize_t write(int fd, const void *bytes, size_t n)
{
    return concerns(fd) && refused() ? -1 : syscall(SYS_write, fd, bytes, n);
}

ssize_t pwrite(int fd, const void *bytes, size_t n, off_t at)
{
    return concerns(fd) && refused() ? -1 : syscall(SYS_pwrite64, fd, bytes, n, at);
}

ssize_t pwrite64(int fd, const void *bytes, size_t n, off64_t at)
{
    return concerns(fd) && refused() ? -1 : syscall(SYS_pwrite64, fd, bytes, n, at);
}

int fdatasync(int fd)
{
    return concerns(fd) && refused() ? -1 : (int)syscall(SYS_fdatasync, fd);
}

int fsync(int fd)
{
    return concerns(fd) && refused() ? -1 : (int)syscall(SYS_fsync, fd);
}

/* a smaller file needs no room */
static int truncate_to(int fd, off_t length)
{
    if (trouble && trouble->disk != DISK_FULL && concerns(fd) && refused())
        return -1;
    return (int)syscall(SYS_ftruncate, fd, length);
}

int ftruncate(int fd, off_t length)
{
    return truncate_to(fd, length);
}

int ftruncate64(int fd, off64_t length)
{
    return truncate_to(fd, length);
}

int posix_fallocate(int fd, off_t at, off_t n)
{
    if (concerns(fd) && trouble->disk != DISK_SLOW) {
        refused();
        return errno;
    }
    return syscall(SYS_fallocate, fd, 0, at, n) == 0 ? 0 : errno;
}

int posix_fallocate64(int fd, off64_t at, off64_t n)
{
    return posix_fallocate(fd, at, n);
}

static int open_it(const char *path, int flags, va_list args)
{
    int mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(args, int) : 0;
    if (below_folder(path) && trouble->disk == DISK_READ_ONLY &&
        (flags & O_ACCMODE) != O_RDONLY) {
        refused();
        return -1;
    }
    return (int)syscall(SYS_openat, AT_FDCWD, path, flags, mode);
}

int open(const char *path, int flags, ...)
{
    va_list args;
    va_start(args, flags);
    int fd = open_it(path, flags, args);
    va_end(args);
    return fd;
}

int open64(const char *path, int flags, ...)
{
    va_list args;
    va_start(args, flags);
    int fd = open_it(path, flags | O_LARGEFILE, args);
    va_end(args);
    return fd;
}

int unlink(const char *path)
{
    if (below_folder(path) && trouble->disk == DISK_READ_ONLY)
        return refused();
    return (int)syscall(SYS_unlinkat, AT_FDCWD, path, 0);
}

int rename(const char *from, const char *to)
{
    if (below_folder(from) && trouble->disk == DISK_READ_ONLY)
        return refused();
    return (int)syscall(SYS_renameat2, AT_FDCWD, from, AT_FDCWD, to, 0);
}

/* ---- memory ---- */

#ifndef TROUBLE_WITHOUT_MEMORY /* a sanitizer has an allocator of its own */
extern void *__libc_malloc(size_t);
extern void *__libc_calloc(size_t, size_t);
extern void *__libc_realloc(void *, size_t);

static atomic_uint_fast64_t allocations;

static int out_of_memory(void)
{
    if (!trouble || trouble->memory_every == 0)
        return 0;
    if (atomic_fetch_add(&allocations, 1) % (uint64_t)trouble->memory_every != 0)
        return 0;
    trouble->memory_refused++;
    errno = ENOMEM;
    return 1;
}

void *malloc(size_t n)
{
    return out_of_memory() ? NULL : __libc_malloc(n);
}

void *calloc(size_t n, size_t size)
{
    return out_of_memory() ? NULL : __libc_calloc(n, size);
}

void *realloc(void *old, size_t n)
{
    return n > 0 && out_of_memory() ? NULL : __libc_realloc(old, n);
}
#endif
