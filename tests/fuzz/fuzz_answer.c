/* What a gateway, or somebody in its place, may answer a centre: no crash; an id and a sentence
 * within their bounds, and no text for a terminal with control characters in it. */
#include "fleet/ask.h"
#include "fleet/sheet_text.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char id[ASK_ID_SIZE], why[ASK_WHY_SIZE];
    struct text t = TEXT_INIT;
    enum ask_err err = ask_read_answer(data, size, id, why);
    if (!memchr(id, '\0', sizeof id) || !memchr(why, '\0', sizeof why) ||
        (err == ASK_OK) != (why[0] == '\0') || (err == ASK_OK && id[0] == '\0'))
        abort();
    for (const char *s = why; *s; s++)
        if ((unsigned char)*s < 0x20 || *s == 0x7f)
            abort();
    if (sheet_text((const char *)data, size, &t))
        for (size_t i = 0; i < t.length; i++)
            if (((unsigned char)t.bytes[i] < 0x20 && t.bytes[i] != '\n') || t.bytes[i] == 0x7f)
                abort();
    text_free(&t);
    return 0;
}
