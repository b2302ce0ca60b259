/*
 * code - one-time codes: what a person types once, made of what is not mistaken.
 *
 * Twelve of 32 letters and digits in groups, "7K3M-X9QT-04RV": 60 bits by libsodium's random
 * numbers, without I, L, O and U (the alphabet of D. Crockford's base 32, from memory). What is
 * kept is their hash (BLAKE2b, 256 bits); a code lives for days and tries are counted
 * (lockout.h), so no slow hash is needed.
 */
#ifndef FORETRIP_WEB_CODE_H
#define FORETRIP_WEB_CODE_H

#include <stdbool.h>
#include <stdint.h>

#define CODE_SIZE 15
#define CODE_HASH_BYTES 32

void code_make(char out[CODE_SIZE]);

/* As a person typed it: small letters, blanks and dashes do not matter, O is 0, I and L are 1.
 * False when it is no code. */
bool code_hash(const char *typed, uint8_t out[CODE_HASH_BYTES]);

/* In a time that does not tell where they differ. */
bool code_same(const uint8_t a[CODE_HASH_BYTES], const uint8_t b[CODE_HASH_BYTES]);

#endif
