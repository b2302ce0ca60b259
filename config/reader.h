/*
 * reader - a configuration directory as one checked object.
 *
 *     DIR/site.cfg         what is installed (needed)
 *     DIR/rules.cfg        local thresholds
 *     DIR/delivery.cfg     where messages go
 *     DIR/phrases.cfg      what is said to people, in which languages
 *     DIR/record.cfg       how long what is kept
 *     DIR/tariff.cfg       what a kilowatt hour costs, when
 *     DIR/study.cfg        what a load study is told beside the record
 *     DIR/editions.cfg     the electrical code's figures
 *     DIR/page.cfg         where the page is served
 *     DIR/appliances.cfg   what appliances look like
 *     DIR/maps/<id>.cfg    register maps of meters
 *
 * All but site.cfg may be absent; rules and what is kept then stand at their
 * defaults, nothing is delivered, energy has no cost, and signatures, editions and maps are the
 * shipped ones (shipped.h). One call reads and checks everything
 * and collects every fault it finds. There is either a whole configuration or none: on any
 * error *out is untouched, so a reload reads a second object and swaps only when the call says
 * true.
 *
 * Bounds     a file is at most CONFIG_MAX_BYTES, UTF-8, without @include
 * Ownership  what config_load fills belongs to the caller until config_free
 * Threads    none inside; a loaded configuration is read only and shared freely
 */
#ifndef FORETRIP_CONFIG_READER_H
#define FORETRIP_CONFIG_READER_H

#include "config/faults.h"
#include "model/delivery.h"
#include "model/load_study.h"
#include "model/meter_map.h"
#include "model/page.h"
#include "model/phrases.h"
#include "model/retention.h"
#include "model/rules.h"
#include "model/signature.h"
#include "model/site.h"
#include "model/tariff.h"

#define CONFIG_MAX_BYTES ((size_t)1024 * 1024)

struct config {
    struct site site; /* finished: cross references resolved */
    struct rules_set rules;
    struct meter_map_set maps; /* those that the site's meters name, each once */
    struct signature_set signatures;
    struct phrases phrases;
    struct delivery delivery;
    struct retention retention;
    struct tariff tariff; /* currency "": none */
    struct load_study study;
    struct page_settings page;
};

/* False when there is at least one error in *faults, and then *out is untouched. Warnings may
 * stand in *faults either way. faults starts empty (CONFIG_FAULTS_INIT) or is added to; it
 * comes back sorted. */
bool config_load(struct config *out, const char *directory, struct config_faults *faults);

/* The same for one that is to take the place of *before. What is shipped and would come out
 * the same is copied from there: taken apart anew, appliances.cfg leaves holes in the heap that
 * nothing fills (docs/method/results.md, long runs). */
bool config_load_again(struct config *out, const char *directory, const struct config *before,
                       struct config_faults *faults);

/* The same from texts in memory, for tests and fuzzing; touches no file at all (beyond the
 * shipped ones in the program). names as in the directory: "site.cfg", "maps/x.cfg". */
struct config_text {
    const char *name;
    const char *text;
    size_t length;
};
bool config_load_memory(struct config *out, const struct config_text *texts, size_t count,
                        struct config_faults *faults);

/* One register map by itself: DIR/maps/<id>.cfg, then the shipped one. For the simulated meters
 * and tests. directory may be NULL: only shipped ones. */
bool config_load_map(struct meter_map *out, const char *directory, const char *id,
                     struct config_faults *faults);

/* Accepts a zeroed struct. */
void config_free(struct config *c);

#endif
