/*
 * fields - the keys of a libconfig group as one typed table.
 *
 * A table names every key of a group with its type, range, default and a line of help. From it
 * come the reading, the faults (unknown key with the nearest known one, missing key, wrong
 * type, out of range) and the check of the manual. Reading writes into the caller's struct at
 * the row's offset; a faulty value leaves the member untouched.
 */
#ifndef FORETRIP_CONFIG_FIELDS_H
#define FORETRIP_CONFIG_FIELDS_H

#include "config/source.h"

enum field_kind {
    FIELD_ID,      /* char[size]: [A-Za-z0-9_-] */
    FIELD_TEXT,    /* char[size]: UTF-8 without control characters */
    FIELD_INTEGER, /* int */
    FIELD_NUMBER,  /* double; an integer will do */
    FIELD_BITS,    /* int64_t: an integer of any size */
    FIELD_SWITCH,  /* bool */
    FIELD_WORD,    /* int: index into words */
    FIELD_GROUP,   /* from here on: read by the caller, here only the type is checked */
    FIELD_LIST,    /* the same: a list of groups */
    FIELD_NUMBERS, /* the same: a list or array of integers */
};

struct field {
    const char *name;
    enum field_kind kind;
    bool required;
    bool may_be_empty; /* FIELD_TEXT: "" will do */
    size_t offset;
    size_t size;              /* FIELD_ID and FIELD_TEXT: of the array */
    double least, most;       /* FIELD_INTEGER and FIELD_NUMBER */
    const char *const *words; /* FIELD_WORD: NULL ends the list */
    const char *fallback;     /* for the manual, "" when required */
    const char *help;
};

#define FIELD_MAX 64
#define FIELD_BIT(index) (UINT64_C(1) << (index))

struct fields_result {
    uint64_t given;  /* there, and right: bit FIELD_BIT(row) */
    uint64_t faulty; /* there and wrong, required and missing, or most likely misspelt */
    bool unknown;    /* there was a key that is not in the table */
};

/* what: "a circuit", for the sentences. group need not be a group: then that is the fault, and
 * every row counts as faulty. */
struct fields_result fields_read(const struct config_file *file, const config_setting_t *group,
                                 const char *what, const struct field *table, size_t count,
                                 void *object);

/* Line of a key of the group; of the group when the key is not there. */
int field_line(const config_setting_t *group, const char *name);

/* Faults at a setting's line, or at the file as a whole for NULL. */
void field_error(const struct config_file *file, int line, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
void field_warning(const struct config_file *file, int line, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* Warns when the certificate in that PEM file has ended or soon will; what cannot be read as
 * one is somebody else's to say. */
void field_certificate(const struct config_file *file, int line, const char *key,
                       const char *path);

/* A number of any of libconfig's types; false for another type or one that is not finite. */
bool field_number(const config_setting_t *s, double *out);

/* "did you mean": offer candidates, then ask. */
struct nearest {
    const char *word;
    const char *best;
    size_t distance;
};
void nearest_offer(struct nearest *n, const char *candidate);
/* The candidate, NULL when none is near enough. */
const char *nearest_get(const struct nearest *n);
/* "; did you mean \"x\"?", or "" when nothing is near. Returns out. */
const char *nearest_say(const struct nearest *n, char *out, size_t capacity);
#define NEAREST_SIZE 128

#endif
