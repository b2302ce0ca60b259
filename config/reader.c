#include "reader.h"

#include "config/appliances_file.h"
#include "config/delivery_file.h"
#include "config/map_file.h"
#include "config/page_file.h"
#include "config/phrases_file.h"
#include "config/retention_file.h"
#include "config/rules_file.h"
#include "config/site_file.h"
#include "config/study_file.h"
#include "config/tariff_file.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

/* Of a directory that is not there one thing is said, and not that every file of it is missing.
 */
static bool is_there(const struct config_source *source, struct config_faults *faults)
{
    struct stat s;
    bool found = !source->directory || stat(source->directory, &s) == 0;
    if (!source->directory || (found && S_ISDIR(s.st_mode)))
        return true;
    if (found || errno == ENOENT || errno == ENOTDIR)
        faults_error(faults, "site.cfg", 0, "is missing: there is no directory %s",
                     source->directory);
    else
        faults_error(faults, "site.cfg", 0, "cannot be read: %s", strerror(errno));
    return false;
}

/* site.cfg and the register maps that its meters name */
static bool load_site(struct config *c, const struct config_source *source,
                      struct config_faults *faults)
{
    struct config_file file;
    size_t before = faults->errors;
    enum source_result result = source_open(&file, source, "site.cfg", faults);
    if (result == SOURCE_ABSENT)
        faults_error(faults, "site.cfg", 0,
                     "is missing; it tells the panels, breakers and meters, and foretrip "
                     "commission writes a first one");
    if (result != SOURCE_OPEN)
        return false;
    struct site_reading r;
    site_file_read(&r, &file, &c->site);
    site_wiring_check(&r);
    map_files_read(&c->maps, &r, source);
    site_meters_check(&r, &c->maps);
    site_reading_free(&r);
    source_close(&file);
    return faults->errors == before;
}

static void load_rules(struct config *c, const struct config_source *source, bool site_good,
                       struct config_faults *faults)
{
    struct config_file file;
    enum source_result result = source_open(&file, source, "rules.cfg", faults);
    if (!rules_set_init(&c->rules, &c->site))
        faults_error(faults, "rules.cfg", 0, "memory is short");
    else if (result != SOURCE_FAULTY)
        rules_file_read(&c->rules, result == SOURCE_OPEN ? &file : NULL, &c->site, site_good);
    if (result == SOURCE_OPEN)
        source_close(&file);
}

static void load_delivery(struct config *c, const struct config_source *source,
                          struct config_faults *faults)
{
    struct config_file file;
    delivery_defaults(&c->delivery, &c->site);
    if (source_open(&file, source, "delivery.cfg", faults) != SOURCE_OPEN)
        return;
    char *whole = source->directory ? realpath(source->directory, NULL) : NULL;
    delivery_file_read(&c->delivery, &file, &c->phrases, whole, page_asks_who(&c->page));
    free(whole);
    source_close(&file);
}

static void load_retention(struct config *c, const struct config_source *source,
                           struct config_faults *faults)
{
    struct config_file file;
    c->retention = retention_defaults();
    if (source_open(&file, source, "record.cfg", faults) != SOURCE_OPEN)
        return;
    retention_file_read(&c->retention, &file);
    source_close(&file);
}

static void load_tariff(struct config *c, const struct config_source *source,
                        struct config_faults *faults)
{
    struct config_file file;
    if (source_open(&file, source, "tariff.cfg", faults) != SOURCE_OPEN)
        return;
    tariff_file_read(&c->tariff, &file);
    source_close(&file);
}

static bool load_page(struct config *c, const struct config_source *source,
                      struct config_faults *faults)
{
    struct config_file file;
    size_t before = faults->errors;
    c->page = page_defaults();
    if (source_open(&file, source, "page.cfg", faults) != SOURCE_OPEN)
        return faults->errors == before;
    char *whole = source->directory ? realpath(source->directory, NULL) : NULL;
    page_file_read(&c->page, &file, whole);
    free(whole);
    source_close(&file);
    return faults->errors == before;
}

/* somebody has to be there who lets the others in */
static void check_logins(const struct config *c, struct config_faults *faults)
{
    const struct delivery *d = &c->delivery;
    if (c->page.off || !page_asks_who(&c->page))
        return;
    for (size_t i = 0; i < d->person_count; i++)
        if (d->people[i].role == ROLE_ADMINISTRATOR)
            return;
    faults_error(faults, "page.cfg", 0,
                 "people log in to the page, and nobody is there who could let them in: give "
                 "one of people in delivery.cfg role = \"administrator\"");
}

/* rules.cfg names panels and circuits of the site: behind a faulty site.cfg such ids are not
 * judged, all else still is. */
static bool load(struct config *out, const struct config_source *source,
                 struct config_faults *faults)
{
    struct config *c = calloc(1, sizeof *c); /* much for a stack, which keeps its pages */
    size_t before = faults->errors;
    if (!c) {
        faults_error(faults, "site.cfg", 0, "memory is short");
        return false;
    }
    if (!is_there(source, faults)) {
        free(c);
        return false;
    }
    site_init(&c->site);
    bool site_good = load_site(c, source, faults);
    load_rules(c, source, site_good, faults);
    phrases_file_read(&c->phrases, source, faults);
    bool page_good = load_page(c, source, faults); /* before: it says whether people log in */
    load_delivery(c, source, faults);
    if (page_good)
        check_logins(c, faults);
    load_retention(c, source, faults);
    load_tariff(c, source, faults);
    study_files_read(&c->study, source, &c->site, site_good, faults);
    appliances_file_read(&c->signatures, source, faults);
    faults_sort(faults);
    bool usable = faults->errors == before;
    if (usable) {
        site_finish(&c->site);
        *out = *c;
    } else {
        config_free(c);
    }
    free(c);
    return usable;
}

bool config_load(struct config *out, const char *directory, struct config_faults *faults)
{
    const struct config_source source = {.directory = directory};
    return load(out, &source, faults);
}

bool config_load_again(struct config *out, const char *directory, const struct config *before,
                       struct config_faults *faults)
{
    const struct config_source source = {.directory = directory, .known = &before->signatures};
    return load(out, &source, faults);
}

bool config_load_memory(struct config *out, const struct config_text *texts, size_t count,
                        struct config_faults *faults)
{
    const struct config_source source = {.texts = texts, .count = count};
    return load(out, &source, faults);
}

bool config_load_map(struct meter_map *out, const char *directory, const char *id,
                     struct config_faults *faults)
{
    const struct config_source source = {.directory = directory};
    if (!site_id_valid(id)) {
        faults_error(faults, "maps", 0, "\"%.60s\" is no id of a register map", id);
        return false;
    }
    switch (map_file_read(out, &source, id, faults)) {
    case SOURCE_OPEN: return true;
    case SOURCE_ABSENT:
        faults_error(faults, "maps", 0,
                     "there is no file maps/%s.cfg and no shipped map of that id", id);
        return false;
    case SOURCE_FAULTY: return false;
    }
    return false;
}

void config_free(struct config *c)
{
    site_free(&c->site);
    rules_set_free(&c->rules);
    meter_map_set_free(&c->maps);
    signature_set_free(&c->signatures);
    phrases_free(&c->phrases);
}
