#include "reader.h"

#include "config/site_file.h"
#include "config/source.h"

static bool load_site(struct config *c, const struct config_source *source,
                      struct config_faults *faults)
{
    struct config_file file;
    enum source_result result = source_open(&file, source, "site.cfg", faults);
    if (result == SOURCE_ABSENT)
        faults_error(faults, "site.cfg", 0, "is missing; it says what is installed");
    if (result != SOURCE_OPEN)
        return false;
    struct site_reading r;
    site_file_read(&r, &file, &c->site);
    site_reading_free(&r);
    source_close(&file);
    return faults->errors == 0;
}

static bool load(struct config *out, const struct config_source *source,
                 struct config_faults *faults)
{
    struct config c = {0};
    size_t before = faults->errors;
    site_init(&c.site);
    if (load_site(&c, source, faults)) {
        site_finish(&c.site);
        if (!rules_set_init(&c.rules, &c.site))
            faults_error(faults, "rules.cfg", 0, "memory is short");
    }
    faults_sort(faults);
    if (faults->errors > before) {
        config_free(&c);
        return false;
    }
    *out = c;
    return true;
}

bool config_load(struct config *out, const char *directory, struct config_faults *faults)
{
    const struct config_source source = {.directory = directory};
    return load(out, &source, faults);
}

bool config_load_memory(struct config *out, const struct config_text *texts, size_t count,
                        struct config_faults *faults)
{
    const struct config_source source = {.texts = texts, .count = count};
    return load(out, &source, faults);
}

void config_free(struct config *c)
{
    site_free(&c->site);
    rules_set_free(&c->rules);
    meter_map_set_free(&c->maps);
    signature_set_free(&c->signatures);
}
