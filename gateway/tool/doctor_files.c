/* foretrip doctor: configuration, permissions, disk, database. */
#include "doctor.h"

#include "base/clock.h"
#include "store/history.h"
#include "store/reader.h"
#include "store/schema.h"

#include <dirent.h>
#include <errno.h>
#include <glob.h>
#include <linux/magic.h>
#include <sqlite3.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statfs.h>
#include <sys/statvfs.h>
#include <unistd.h>

#define MIB (1024.0 * 1024.0)

/* ---- configuration ---- */

void doctor_configuration(struct doctor *d)
{
    struct config_faults faults = CONFIG_FAULTS_INIT;
    d->usable = config_load(&d->config, d->config_directory, &faults);
    for (size_t i = 0; i < faults.count; i++) {
        const struct config_fault *f = &faults.list[i];
        bool no_site = !f->warning && f->line == 0 && strcmp(f->file, "site.cfg") == 0;
        char where[CONFIG_FILE_SIZE + 16];
        snprintf(where, sizeof where, f->line ? "%s:%d" : "%s", f->file, f->line);
        doctor_say(d, f->warning ? FINDING_WARNING : FINDING_ERROR, "config",
                   no_site ? "foretrip commission BUS --config DIR writes a first one; or copy "
                             "the example of the documentation and make it yours"
                           : "mend that line, then foretrip check --config DIR",
                   "%s/%s: %s", d->config_directory, where, f->text);
    }
    if (d->usable)
        doctor_say(d, FINDING_GOOD, "config", NULL,
                   "%s is usable: %zu panels, %zu circuits, %zu meters", d->config_directory,
                   d->config.site.panel_count, d->config.site.circuit_count,
                   d->config.site.meter_count);
    faults_free(&faults);
}

/* ---- permissions ---- */

static void look_at_file(struct doctor *d, const char *path, bool secret)
{
    struct stat st;
    if (!path[0])
        return;
    if (stat(path, &st) != 0) {
        doctor_say(d, FINDING_ERROR, "permissions", "put it there, or take it out of the file",
                   "%s, which the configuration names, cannot be reached: %s", path,
                   strerror(errno));
        return;
    }
    if (!doctor_may(d, path, R_OK))
        doctor_say(
            d, FINDING_ERROR, "permissions",
            "chgrp it to the gateway's group and chmod g=r it; the directories on the way "
            "must let it through",
            "%s cannot be read by the gateway's user %s", path, d->user);
    if (secret && (st.st_mode & S_IRWXO))
        doctor_say(d, FINDING_ERROR, "permissions", "chmod o= it, and take another secret",
                   "%s is a secret, and everybody on this machine can read it", path);
    if (st.st_mode & S_IWOTH)
        doctor_say(d, FINDING_ERROR, "permissions", "chmod o-w it",
                   "%s can be changed by everybody on this machine", path);
}

static void look_at_directory(struct doctor *d)
{
    DIR *dir = opendir(d->config_directory);
    struct stat st;
    if (!dir)
        return; /* config has said so */
    if (fstat(dirfd(dir), &st) == 0 && (st.st_mode & S_IWOTH))
        doctor_say(d, FINDING_ERROR, "permissions", "chmod o-w it",
                   "%s can be changed by everybody on this machine", d->config_directory);
    for (const struct dirent *e; (e = readdir(dir)) != NULL;) {
        char path[4096];
        const char *dot = strrchr(e->d_name, '.');
        if (!dot || strcmp(dot, ".cfg") != 0)
            continue;
        snprintf(path, sizeof path, "%s/%s", d->config_directory, e->d_name);
        look_at_file(d, path, false);
    }
    closedir(dir);
}

static void look_at_secrets(struct doctor *d)
{
    const struct delivery *v = &d->config.delivery;
    look_at_file(d, v->broker.password_file, true);
    look_at_file(d, v->broker.tls.key, true);
    look_at_file(d, v->broker.tls.ca, false);
    look_at_file(d, v->broker.tls.cert, false);
    look_at_file(d, v->mail.password_file, true);
    for (size_t i = 0; i < v->person_count; i++)
        look_at_file(d, v->people[i].token_file, true);
    look_at_file(d, d->config.page.cert, false);
    look_at_file(d, d->config.page.key, true);
}

/* the record's directory and file */
static void look_at_state(struct doctor *d)
{
    struct stat st;
    if (stat(d->state_directory, &st) != 0) {
        doctor_say(d, FINDING_NOTE, "permissions", NULL,
                   "%s is not there yet: the service makes it when it starts",
                   d->state_directory);
        return;
    }
    if (!doctor_may(d, d->state_directory, W_OK | X_OK))
        doctor_say(d, FINDING_ERROR, "permissions",
                   "chown it to the gateway's user; where the disk is mounted read-only, mount "
                   "it for writing",
                   "%s cannot be written by the gateway's user %s", d->state_directory,
                   d->user);
    if (stat(d->database, &st) != 0)
        return;
    if (!doctor_may(d, d->database, R_OK | W_OK))
        doctor_say(d, FINDING_ERROR, "permissions",
                   "chown it, and the files beside it whose names begin the same, to the "
                   "gateway's user",
                   "%s cannot be written by the gateway's user %s", d->database, d->user);
    if (st.st_mode & (S_IRWXG | S_IRWXO))
        doctor_say(d, FINDING_WARNING, "permissions", "chmod 600 it",
                   "%s, which holds who may log in, is open to others", d->database);
}

void doctor_permissions(struct doctor *d)
{
    size_t before = json_array_size(d->findings);
    look_at_directory(d);
    if (d->usable)
        look_at_secrets(d);
    look_at_state(d);
    if (json_array_size(d->findings) == before)
        doctor_say(d, FINDING_GOOD, "permissions", NULL,
                   "the user %s may read the configuration and write the record", d->user);
}

/* ---- disk ---- */

void doctor_disk(struct doctor *d)
{
    struct statvfs v;
    struct statfs f;
    double floor_mib = d->usable ? d->config.retention.free_mb : retention_defaults().free_mb;
    if (statvfs(d->state_directory, &v) != 0 || statfs(d->state_directory, &f) != 0)
        return; /* permissions has said so */
    double free_mib = (double)v.f_bavail * (double)v.f_frsize / MIB;
    if (v.f_flag & ST_RDONLY)
        doctor_say(d, FINDING_ERROR, "disk",
                   "find out why (dmesg); a card that only reads is to be replaced soon",
                   "the file system of %s is mounted read-only", d->state_directory);
    if (f.f_type == TMPFS_MAGIC || f.f_type == RAMFS_MAGIC)
        doctor_say(d, FINDING_WARNING, "disk", "give foretripd a --state on a disk",
                   "%s lies in memory: the record is lost when the machine stops",
                   d->state_directory);
    if (v.f_files > 0 && v.f_favail == 0)
        doctor_say(d, FINDING_ERROR, "disk", "remove files: many small ones are somewhere",
                   "the file system of %s has no inodes left", d->state_directory);
    if (free_mib < floor_mib)
        doctor_say(d, FINDING_ERROR, "disk",
                   "make room; until then the oldest readings go (record.cfg: keep.free_mb)",
                   "%.0f MiB are free beside %s, less than the %.0f that are to stay free",
                   free_mib, d->state_directory, floor_mib);
    else if (free_mib < 4 * floor_mib)
        doctor_say(d, FINDING_WARNING, "disk", "make room, or keep less (record.cfg)",
                   "%.0f MiB are free beside %s", free_mib, d->state_directory);
    else if (!(v.f_flag & ST_RDONLY))
        doctor_say(d, FINDING_GOOD, "disk", NULL, "%.0f MiB are free beside %s", free_mib,
                   d->state_directory);
}

/* ---- database ---- */

static bool take_none(void *context, const struct store_event_row *row)
{
    (void)context, (void)row;
    return false;
}

static void look_for_set_aside(struct doctor *d)
{
    glob_t found;
    char pattern[4200];
    snprintf(pattern, sizeof pattern, "%s.damaged-*", d->database);
    int rc = glob(pattern, 0, NULL, &found);
    snprintf(pattern, sizeof pattern, "%s.read-only-*", d->database);
    if (glob(pattern, rc == 0 ? GLOB_APPEND : 0, NULL, &found) == 0 || rc == 0) {
        for (size_t i = 0; i < found.gl_pathc; i++) {
            const char *path = found.gl_pathv[i], *end = strrchr(path, '-');
            if (end && (strcmp(end, "-wal") == 0 || strcmp(end, "-shm") == 0))
                continue;
            doctor_say(d, FINDING_WARNING, "database",
                       "sqlite3 FILE .recover gets out what can be got; then remove it. Look "
                       "after the disk or its power: records do not damage themselves",
                       "%s was set aside, and a new record begun", path);
        }
        globfree(&found);
    }
}

/* PRAGMA user_version (store/schema.h), -1 when it cannot be read */
static int version_of(const char *path)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *q = NULL;
    int version = -1;
    if (sqlite3_open_v2(path, &db, SQLITE_OPEN_READONLY, NULL) == SQLITE_OK &&
        sqlite3_prepare_v2(db, "PRAGMA user_version", -1, &q, NULL) == SQLITE_OK &&
        sqlite3_step(q) == SQLITE_ROW)
        version = sqlite3_column_int(q, 0);
    sqlite3_finalize(q);
    sqlite3_close(db);
    return version;
}

/* false when there is nothing more to look at */
static bool look_at_version(struct doctor *d)
{
    int version = version_of(d->database), ours = schema_version();
    if (version < 0)
        doctor_say(d, FINDING_ERROR, "database",
                   "restart foretripd: it sets the file aside and begins a new one; a copy by "
                   "foretrip backup can take its place",
                   "%s is no database, or damaged", d->database);
    else if (version > ours)
        doctor_say(d, FINDING_ERROR, "database",
                   "install the version of foretrip that wrote it, or a later one",
                   "%s is of version %d; this foretrip knows %d", d->database, version, ours);
    else if (version < ours)
        doctor_say(d, FINDING_NOTE, "database", NULL,
                   "%s is of version %d; the gateway takes it to %d when it starts",
                   d->database, version, ours);
    return version == ours;
}

void doctor_database(struct doctor *d)
{
    look_for_set_aside(d);
    if (access(d->database, F_OK) != 0) {
        doctor_say(d, FINDING_NOTE, "database", NULL,
                   "%s is not there yet: the gateway makes it when it starts", d->database);
        return;
    }
    if (!look_at_version(d))
        return;
    int64_t from = 0, to = 0, now = clock_wall_ms();
    struct store_reader *r = store_reader_open(d->database);
    enum store_err err = r ? store_read_events(r, 0, 1, take_none, NULL) : STORE_ERR_MEMORY;
    if (!err)
        err = history_ends(r, &from, &to);
    store_reader_close(r);
    if (err)
        doctor_say(d, FINDING_ERROR, "database",
                   "foretrip verify --config DIR reads all of it; look at the disk (dmesg)",
                   "%s: %s", d->database, store_strerror(err));
    else if (to > now + 60000)
        doctor_say(d, FINDING_ERROR, "clock",
                   "set the clock right; rows from before it was wrong stay as they are",
                   "the newest reading is %.1f h later than this machine's clock",
                   (double)(to - now) / 3600000.0);
    else if (to == 0)
        doctor_say(d, FINDING_NOTE, "database", NULL, "%s holds no readings yet", d->database);
    else
        doctor_say(d, FINDING_GOOD, "database", NULL, "%s holds %.1f days of readings",
                   d->database, (double)(to - from) / 86400000.0);
}
