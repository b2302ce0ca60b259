/*
 * doctor - what foretrip doctor looks at, and what it finds.
 *
 * Each examination adds its findings: what was found, and, where something is wrong, what to do
 * about it. One that finds nothing wrong says that it looked. They change nothing; what the
 * running gateway says of itself is believed before anything is tried beside it, because many
 * meters take one connection only.
 */
#ifndef FORETRIP_TOOL_DOCTOR_H
#define FORETRIP_TOOL_DOCTOR_H

#include "config/reader.h"

#include <jansson.h>
#include <sys/types.h>

enum finding { FINDING_GOOD, FINDING_NOTE, FINDING_WARNING, FINDING_ERROR };

struct doctor {
    const char *config_directory, *state_directory, *run_directory;
    char database[4096];
    struct config config;
    bool usable;      /* config is there */
    json_t *running;  /* what the gateway says of itself, NULL: none runs */
    char absent[512]; /* and why not */
    char user[64];    /* the gateway's */
    bool as_user;     /* access is judged as that user; false: as whoever asks */
    json_t *findings; /* of {check, level, what, do} */
    enum finding worst;
};

/* advice: what to do, NULL where nothing is to be done. */
void doctor_say(struct doctor *d, enum finding level, const char *check, const char *advice,
                const char *format, ...) __attribute__((format(printf, 5, 6)));

/* Whether the gateway's user may do that with the file (R_OK, W_OK, X_OK of access(2)). */
bool doctor_may(const struct doctor *d, const char *path, int mode);

/* ---- the examinations, in the order in which they are made ---- */

/* doctor_files.c */
void doctor_configuration(struct doctor *d);
void doctor_permissions(struct doctor *d);
void doctor_disk(struct doctor *d);
void doctor_database(struct doctor *d);
/* doctor_world.c */
void doctor_clock(struct doctor *d);
void doctor_buses(struct doctor *d);
void doctor_broker(struct doctor *d);
void doctor_certificates(struct doctor *d);
void doctor_letters(struct doctor *d);
void doctor_service(struct doctor *d);

#endif
