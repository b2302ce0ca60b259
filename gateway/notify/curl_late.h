/*
 * curl_late - libcurl, loaded when the first letter or certificate needs it.
 *
 * It brings some thirty libraries with it, 1.3 MiB resident, for what most gateways never send.
 * Its types and constants are those of curl/curl.h; the functions are called through the table.
 *
 * A machine may be without it: everything else goes on then, and it is looked for again at each
 * call, so that installing it is enough.
 *
 * Threads    any; the first call loads it, and makes it ready (curl_global_init)
 * Ownership  it stays loaded
 */
#ifndef FORETRIP_CURL_LATE_H
#define FORETRIP_CURL_LATE_H

#include <curl/curl.h>

struct curl_late {
    __typeof__(curl_global_init) *global_init;
    __typeof__(curl_easy_init) *easy_init;
    CURLcode (*easy_setopt)(CURL *easy, CURLoption option, ...);
    CURLcode (*easy_getinfo)(CURL *easy, CURLINFO info, ...);
    __typeof__(curl_easy_perform) *easy_perform;
    __typeof__(curl_easy_cleanup) *easy_cleanup;
    __typeof__(curl_easy_strerror) *easy_strerror;
    __typeof__(curl_slist_append) *slist_append;
    __typeof__(curl_slist_free_all) *slist_free_all;
};

/* NULL when this machine has no libcurl.so.4; *why is a sentence then. */
const struct curl_late *curl_late(const char **why);

#endif
