/*
 * secret - a password or a token, which stands in a file of its own.
 */
#ifndef FORETRIP_SECRET_H
#define FORETRIP_SECRET_H

#include <stdbool.h>
#include <stddef.h>

#define SECRET_SIZE 1024

/* The first line of the file into out, which the caller wipes (explicit_bzero). False with a
 * sentence in why. what: "the password". */
bool secret_read(const char *path, const char *what, char out[SECRET_SIZE], char *why,
                 size_t why_size);

#endif
