#include "card.h"

#include "check.h"

#include <fcntl.h>
#include <sqlite3.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#define SECTOR 512

/* bytes NULL: cut or grown to `offset` */
struct change {
    struct change *next;
    int64_t offset;
    int length;
    uint8_t *bytes;
};

/* a file by its name, whoever has it open */
struct node {
    struct node *next;
    char path[256];
    bool exists;
    uint8_t *synced; /* what the card holds */
    int64_t length, room;
    int64_t size; /* as written, synced or not */
    struct change *first, **last;
};

struct opened {
    sqlite3_file base;
    struct node *node; /* NULL: not watched */
    sqlite3_file *real;
};

static struct {
    sqlite3_vfs vfs, *real;
    struct node *nodes;
    int64_t limit, left, written, syncs;
    bool counting, dead;
} card;

/* ---- what is synced ---- */

static void resize(struct node *n, int64_t length)
{
    if (length > n->room) {
        n->room = length * 2;
        n->synced = realloc(n->synced, (size_t)n->room);
        assert_non_null(n->synced);
    }
    if (length > n->length)
        memset(n->synced + n->length, 0, (size_t)(length - n->length));
    n->length = length;
}

static void put(struct node *n, int64_t offset, const uint8_t *bytes, int length)
{
    if (offset + length > n->length)
        resize(n, offset + length);
    memcpy(n->synced + offset, bytes, (size_t)length);
}

static void apply(struct node *n, const struct change *c)
{
    if (c->bytes)
        put(n, c->offset, c->bytes, c->length);
    else
        resize(n, c->offset);
}

static void forget_changes(struct node *n)
{
    for (struct change *c = n->first, *next; c; c = next) {
        next = c->next;
        free(c->bytes);
        free(c);
    }
    n->first = NULL;
    n->last = &n->first;
}

static void add_change(struct node *n, int64_t offset, const void *bytes, int length)
{
    struct change *c = calloc(1, sizeof *c);
    assert_non_null(c);
    c->offset = offset;
    c->length = length;
    if (bytes) {
        c->bytes = malloc((size_t)length);
        assert_non_null(c->bytes);
        memcpy(c->bytes, bytes, (size_t)length);
    }
    *n->last = c;
    n->last = &c->next;
}

static struct node *find_node(const char *path)
{
    struct node *n = card.nodes;
    while (n && strcmp(n->path, path) != 0)
        n = n->next;
    return n;
}

/* what is there already counts as synced */
static struct node *take_node(const char *path)
{
    struct node *n = find_node(path);
    if (!n) {
        n = calloc(1, sizeof *n);
        assert_non_null(n);
        snprintf(n->path, sizeof n->path, "%s", path);
        n->last = &n->first;
        n->next = card.nodes;
        card.nodes = n;
        int fd = open(path, O_RDONLY | O_CLOEXEC);
        if (fd >= 0) {
            resize(n, lseek(fd, 0, SEEK_END));
            assert_int_equal(pread(fd, n->synced, (size_t)n->length, 0), n->length);
            close(fd);
        }
        n->size = n->length;
    }
    n->exists = true;
    return n;
}

/* ---- the file ---- */

/* false when there is no power for it */
static bool spend(void)
{
    if (card.counting && card.left-- <= 0)
        card.dead = true;
    return !card.dead;
}

static struct opened *of(sqlite3_file *f)
{
    return (struct opened *)f;
}

static int64_t all_sizes(void)
{
    int64_t sum = 0;
    for (const struct node *n = card.nodes; n; n = n->next) {
        char reserve[sizeof n->path + 8];
        struct stat st;
        snprintf(reserve, sizeof reserve, "%s.reserve", n->path);
        sum += (n->exists ? n->size : 0) + (stat(reserve, &st) == 0 ? st.st_size : 0);
    }
    return sum;
}

static int do_close(sqlite3_file *f)
{
    sqlite3_file *real = of(f)->real;
    int rc = real->pMethods ? real->pMethods->xClose(real) : SQLITE_OK;
    free(real);
    return rc;
}

static int do_read(sqlite3_file *f, void *to, int length, sqlite3_int64 offset)
{
    return of(f)->real->pMethods->xRead(of(f)->real, to, length, offset);
}

static int do_write(sqlite3_file *f, const void *bytes, int length, sqlite3_int64 offset)
{
    struct node *n = of(f)->node;
    int64_t grows = n && offset + length > n->size ? offset + length - n->size : 0;
    bool was_dead = card.dead;
    if (n && card.limit > 0 && grows > 0 && all_sizes() + grows > card.limit)
        return SQLITE_FULL;
    bool powered = spend();
    if (n && !was_dead)
        add_change(n, offset, bytes, length); /* the last one may still get there in parts */
    if (!powered)
        return SQLITE_IOERR_WRITE;
    card.written += length;
    if (n)
        n->size += grows;
    return of(f)->real->pMethods->xWrite(of(f)->real, bytes, length, offset);
}

static int do_truncate(sqlite3_file *f, sqlite3_int64 size)
{
    if (!spend())
        return SQLITE_IOERR_TRUNCATE;
    if (of(f)->node) {
        add_change(of(f)->node, size, NULL, 0);
        of(f)->node->size = size;
    }
    return of(f)->real->pMethods->xTruncate(of(f)->real, size);
}

static int do_sync(sqlite3_file *f, int flags)
{
    struct node *n = of(f)->node;
    (void)flags;
    if (!spend())
        return SQLITE_IOERR_FSYNC;
    card.syncs++;
    for (const struct change *c = n ? n->first : NULL; c; c = c->next)
        apply(n, c);
    if (n)
        forget_changes(n);
    return SQLITE_OK; /* the real files need none: this process goes on */
}

static int do_size(sqlite3_file *f, sqlite3_int64 *size)
{
    return of(f)->real->pMethods->xFileSize(of(f)->real, size);
}

static int do_lock(sqlite3_file *f, int level)
{
    return of(f)->real->pMethods->xLock(of(f)->real, level);
}

static int do_unlock(sqlite3_file *f, int level)
{
    return of(f)->real->pMethods->xUnlock(of(f)->real, level);
}

static int do_check_lock(sqlite3_file *f, int *reserved)
{
    return of(f)->real->pMethods->xCheckReservedLock(of(f)->real, reserved);
}

static int do_control(sqlite3_file *f, int what, void *value)
{
    return of(f)->real->pMethods->xFileControl(of(f)->real, what, value);
}

static int do_sector(sqlite3_file *f)
{
    return of(f)->real->pMethods->xSectorSize(of(f)->real);
}

static int do_device(sqlite3_file *f)
{
    return of(f)->real->pMethods->xDeviceCharacteristics(of(f)->real);
}

static int do_shm_map(sqlite3_file *f, int page, int size, int extend, void volatile **at)
{
    return of(f)->real->pMethods->xShmMap(of(f)->real, page, size, extend, at);
}

static int do_shm_lock(sqlite3_file *f, int offset, int n, int flags)
{
    return of(f)->real->pMethods->xShmLock(of(f)->real, offset, n, flags);
}

static void do_shm_barrier(sqlite3_file *f)
{
    of(f)->real->pMethods->xShmBarrier(of(f)->real);
}

static int do_shm_unmap(sqlite3_file *f, int erase)
{
    return of(f)->real->pMethods->xShmUnmap(of(f)->real, erase);
}

static const sqlite3_io_methods methods = {
    .iVersion = 2, /* no memory maps: their writes could not be seen */
    .xClose = do_close,
    .xRead = do_read,
    .xWrite = do_write,
    .xTruncate = do_truncate,
    .xSync = do_sync,
    .xFileSize = do_size,
    .xLock = do_lock,
    .xUnlock = do_unlock,
    .xCheckReservedLock = do_check_lock,
    .xFileControl = do_control,
    .xSectorSize = do_sector,
    .xDeviceCharacteristics = do_device,
    .xShmMap = do_shm_map,
    .xShmLock = do_shm_lock,
    .xShmBarrier = do_shm_barrier,
    .xShmUnmap = do_shm_unmap,
};

/* ---- the file system ---- */

static int do_open(sqlite3_vfs *vfs, const char *name, sqlite3_file *f, int flags, int *out)
{
    struct opened *o = of(f);
    (void)vfs;
    *o = (struct opened){.real = calloc(1, (size_t)card.real->szOsFile)};
    if (card.dead || !o->real) {
        free(o->real);
        return SQLITE_CANTOPEN;
    }
    int rc = card.real->xOpen(card.real, name, o->real, flags, out);
    if (rc != SQLITE_OK) {
        free(o->real);
        return rc;
    }
    if (name && flags & (SQLITE_OPEN_MAIN_DB | SQLITE_OPEN_WAL | SQLITE_OPEN_MAIN_JOURNAL))
        o->node = take_node(name);
    o->base.pMethods = &methods;
    return SQLITE_OK;
}

static int do_delete(sqlite3_vfs *vfs, const char *name, int sync_folder)
{
    struct node *n = find_node(name);
    (void)vfs;
    if (!spend())
        return SQLITE_IOERR_DELETE;
    if (n) {
        n->exists = false;
        n->length = n->size = 0;
        forget_changes(n);
    }
    return card.real->xDelete(card.real, name, sync_folder);
}

void card_insert(void)
{
    memset(&card, 0, sizeof card);
    card.real = sqlite3_vfs_find(NULL);
    assert_non_null(card.real);
    card.vfs = *card.real;
    card.vfs.zName = "card";
    card.vfs.pNext = NULL;
    card.vfs.szOsFile = sizeof(struct opened);
    card.vfs.xOpen = do_open;
    card.vfs.xDelete = do_delete;
    assert_int_equal(sqlite3_vfs_register(&card.vfs, 1), SQLITE_OK);
}

void card_remove(void)
{
    sqlite3_vfs_unregister(&card.vfs);
    for (struct node *n = card.nodes, *next; n; n = next) {
        next = n->next;
        forget_changes(n);
        free(n->synced);
        free(n);
    }
    memset(&card, 0, sizeof card);
}

void card_fill(int64_t spare)
{
    card.limit = all_sizes() + spare;
}

void card_cut_after(int64_t operations)
{
    card.left = operations;
    card.counting = true;
}

bool card_is_dead(void)
{
    return card.dead;
}

int64_t card_written(void)
{
    return card.written;
}

int64_t card_syncs(void)
{
    return card.syncs;
}

/* ---- power ---- */

enum luck { NOTHING_MORE, THE_FIRST, ANY_SECTORS };

static void apply_sectors(struct node *n, const struct change *c, unsigned *seed)
{
    if (!c->bytes) {
        if (rand_r(seed) % 2)
            apply(n, c);
        return;
    }
    for (int at = 0; at < c->length;) {
        int rest = SECTOR - (int)((c->offset + at) % SECTOR);
        int length = rest < c->length - at ? rest : c->length - at;
        if (rand_r(seed) % 2)
            put(n, c->offset + at, c->bytes + at, length);
        at += length;
    }
}

static void apply_some(struct node *n, enum luck luck, unsigned *seed)
{
    int count = 0;
    for (const struct change *c = n->first; c; c = c->next)
        count++;
    int first = count ? rand_r(seed) % (count + 1) : 0;
    for (const struct change *c = n->first; c; c = c->next) {
        if (luck == THE_FIRST && first-- > 0)
            apply(n, c);
        else if (luck == ANY_SECTORS)
            apply_sectors(n, c, seed);
    }
}

static void write_back(const struct node *n)
{
    char shm[300];
    snprintf(shm, sizeof shm, "%s-shm", n->path);
    unlink(shm);
    unlink(n->path);
    if (!n->exists)
        return;
    int fd = open(n->path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, n->synced, (size_t)n->length), n->length);
    close(fd);
}

void card_power_on(unsigned seed)
{
    enum luck luck = (enum luck)(rand_r(&seed) % 3);
    for (struct node *n = card.nodes; n; n = n->next) {
        apply_some(n, luck, &seed);
        forget_changes(n);
        n->size = n->length;
        write_back(n);
    }
    card.dead = card.counting = false;
}
