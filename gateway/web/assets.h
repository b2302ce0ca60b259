/*
 * assets - the files that the page is made of, carried in the program.
 *
 * Made at build time from gateway/web/pages, openapi.json and, where npm was there, the chart
 * library (deploy/embed-pages.sh): each as it is and compressed, with a tag of its content.
 */
#ifndef FORETRIP_WEB_ASSETS_H
#define FORETRIP_WEB_ASSETS_H

#include <stddef.h>

struct asset {
    const char *path; /* as asked for: "/panel.js" */
    const char *type; /* media type */
    const char *tag;
    const unsigned char *bytes;
    size_t length;
    const unsigned char *gzip; /* gzip_length 0: not smaller */
    size_t gzip_length;
};

/* The end has no path. */
extern const struct asset assets[];
extern const struct asset fleet_assets[]; /* of the centre's page */

/* In such a list; "/" is the page itself. NULL: nothing of that name. */
const struct asset *asset_find(const struct asset *list, const char *path);

#endif
