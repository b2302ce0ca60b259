#include "curl_late.h"

#include <dlfcn.h>
#include <pthread.h>
#include <stdbool.h>
#include <stddef.h>
#include <string.h>

static struct curl_late functions;

static bool load(void)
{
    static const struct {
        const char *name;
        size_t offset;
    } names[] = {
#define NAMED(name) {"curl_" #name, offsetof(struct curl_late, name)}
        NAMED(global_init),   NAMED(easy_init),    NAMED(easy_setopt),
        NAMED(easy_getinfo),  NAMED(easy_perform), NAMED(easy_cleanup),
        NAMED(easy_strerror), NAMED(slist_append), NAMED(slist_free_all),
    };
    void *library = dlopen("libcurl.so.4", RTLD_NOW | RTLD_LOCAL);
    if (!library)
        return false;
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        void *function = dlsym(library, names[i].name);
        if (!function) {
            dlclose(library);
            return false;
        }
        /* POSIX: a function's address fits what dlsym gives */
        memcpy((char *)&functions + names[i].offset, &function, sizeof function);
    }
    return functions.global_init(CURL_GLOBAL_DEFAULT) == CURLE_OK;
}

const struct curl_late *curl_late(const char **why)
{
    static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
    static bool loaded;
    pthread_mutex_lock(&lock);
    if (!loaded)
        loaded = load();
    bool there = loaded;
    pthread_mutex_unlock(&lock);
    *why = there ? "" : "libcurl.so.4 is missing: install libcurl4";
    return there ? &functions : NULL;
}
