#include "code.h"

#include <sodium.h>
#include <string.h>

static const char alphabet[] = "0123456789ABCDEFGHJKMNPQRSTVWXYZ";
#define LETTERS 12

void code_make(char out[CODE_SIZE])
{
    char *at = out;
    for (int i = 0; i < LETTERS; i++) {
        if (i > 0 && i % 4 == 0)
            *at++ = '-';
        *at++ = alphabet[randombytes_uniform(32)];
    }
    *at = '\0';
}

/* as it stands in the alphabet; 0: no letter of a code */
static char plain(char c)
{
    if (c >= 'a' && c <= 'z')
        c = (char)(c - 'a' + 'A');
    c = c == 'O' ? '0' : c == 'I' || c == 'L' ? '1' : c;
    return c && strchr(alphabet, c) ? c : '\0';
}

bool code_hash(const char *typed, uint8_t out[CODE_HASH_BYTES])
{
    char letters[LETTERS];
    int n = 0;
    for (; *typed; typed++) {
        if (*typed == '-' || *typed == ' ')
            continue;
        char c = plain(*typed);
        if (!c || n == LETTERS)
            return false;
        letters[n++] = c;
    }
    if (n == LETTERS)
        crypto_generichash(out, CODE_HASH_BYTES, (const unsigned char *)letters, LETTERS, NULL,
                           0);
    sodium_memzero(letters, sizeof letters);
    return n == LETTERS;
}

bool code_same(const uint8_t a[CODE_HASH_BYTES], const uint8_t b[CODE_HASH_BYTES])
{
    return sodium_memcmp(a, b, CODE_HASH_BYTES) == 0;
}
