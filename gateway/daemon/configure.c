#include "configure.h"

#include "base/log.h"
#include "base/text.h"

#include <stdlib.h>
#include <string.h>

struct config *configure_read(const char *directory, const struct config *before)
{
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct text report = TEXT_INIT;
    struct config *c = calloc(1, sizeof *c);
    bool usable = c && (before ? config_load_again(c, directory, before, &faults)
                               : config_load(c, directory, &faults));
    faults_print(&faults, "", &report);
    for (char *at = report.bytes, *line; at && (line = strsep(&at, "\n")) != NULL;)
        if (*line)
            (usable ? log_warning : log_error)("config", "%s", line);
    text_free(&report);
    faults_free(&faults);
    if (!usable) {
        free(c);
        return NULL;
    }
    return c;
}
