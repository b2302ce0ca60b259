/* What a gateway that wants in may send, what a centre may answer, and what a person may type
 * for a code: no crash; a request that is taken has a key and its own signature, a code that is
 * taken is written and read again as the same. */
#include "base/est.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void as_request(const char *body, size_t size)
{
    char why[EST_WHY_SIZE] = "";
    X509_REQ *q = est_request_read(body, size, why);
    if (q ? X509_REQ_verify(q, X509_REQ_get0_pubkey(q)) != 1
          : why[0] == '\0' || !memchr(why, '\0', sizeof why))
        abort();
    X509_REQ_free(q);
}

static void as_answer(const char *body, size_t size)
{
    X509 *list[EST_MOST_CERTIFICATES];
    char pin[EST_PIN_SIZE];
    size_t count = est_certificates_read(body, size, list);
    if (count > EST_MOST_CERTIFICATES)
        abort();
    for (size_t i = 0; i < count; i++) {
        est_pin(list[i], pin);
        if (strlen(pin) != EST_PIN_SIZE - 1)
            abort();
        X509_free(list[i]);
    }
}

static void as_code(const char *typed)
{
    struct est_code code, again;
    char written[EST_CODE_SIZE];
    if (!est_code_read(typed, &code))
        return;
    est_code_write(&code, written);
    if (!est_code_read(written, &again) || memcmp(&code, &again, sizeof code) != 0)
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *text = malloc(size + 1);
    if (!text)
        return 0;
    if (size > 0)
        memcpy(text, data, size);
    text[size] = '\0';
    as_request(text, size);
    as_answer(text, size);
    as_code(text);
    free(text);
    return 0;
}
