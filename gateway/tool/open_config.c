#include "open_config.h"

#include <stdio.h>

bool open_config(struct config *out, const char *directory)
{
    struct config_faults faults = CONFIG_FAULTS_INIT;
    bool usable = config_load(out, directory, &faults);
    if (!usable) {
        struct text prefix = TEXT_INIT, report = TEXT_INIT;
        text_printf(&prefix, "%s/", directory);
        faults_print(&faults, text_get(&prefix), &report);
        fputs(text_get(&report), stderr);
        text_free(&prefix);
        text_free(&report);
    }
    faults_free(&faults);
    return usable;
}
