/* What the gateway kept of itself, as a damaged record may give it back: it is taken back whole
 * or refused, and what was taken back can be worked with and kept again.
 *
 * Input: whose it is (the engine's; who is logged in; the trail of the heat; what people were
 * told), then the bytes. */
#include "analysis/engine.h"
#include "config/reader.h"
#include "notify/people.h"
#include "web/access.h"
#include "web/trail.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static const char site_text[] =
    "site = { id = \"s\"; name = \"S\"; timezone = \"UTC\"; standard = \"UL489\"; "
    "nominal_volts = 120.0; };"
    "panels = ( { id = \"main\"; name = \"Main\"; legs = 2; rating_amps = 100; } );"
    "circuits = ( { id = \"main-01\"; panel = \"main\"; position = \"1\"; name = \"One\"; "
    "poles = 1; leg = \"A\"; breaker_amps = 15; }, { id = \"main-02\"; panel = \"main\"; "
    "position = \"2\"; name = \"Two\"; poles = 1; leg = \"B\"; breaker_amps = 15; } );";

static const char people_text[] =
    "people = ( { id = \"ada\"; name = \"Ada\"; role = \"administrator\"; },"
    " { id = \"kim\"; name = \"Kim\"; } );";

#define NOW INT64_C(1767254400000)

static const struct config *the_config(void)
{
    static struct config c; /* read once: it takes most of the time there is */
    static bool read;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    const struct config_text texts[] = {{"site.cfg", site_text, sizeof site_text - 1},
                                        {"delivery.cfg", people_text, sizeof people_text - 1}};
    if (!read && !config_load_memory(&c, texts, 2, &faults))
        abort();
    read = true;
    faults_free(&faults);
    return &c;
}

/* What every new engine asks again with the same arguments, and nearly all of the time goes
 * into: remembered (the linker hands the calls here, see the Makefile). */
double __real_heat_felt_cold_seconds(double q, double level, double tau);
double __wrap_heat_felt_cold_seconds(double q, double level, double tau);

double __wrap_heat_felt_cold_seconds(double q, double level, double tau)
{
    static struct {
        double asked[3], seconds;
        bool known;
    } answers[1 << 18];
    const double asked[3] = {q, level, tau};
    uint64_t hash = 0;
    for (int i = 0; i < 3; i++) {
        uint64_t bits;
        memcpy(&bits, &asked[i], sizeof bits);
        hash = (hash ^ bits) * 0x9E3779B97F4A7C15U;
        hash ^= hash >> 29;
    }
    size_t at = hash >> 46;
    if (!answers[at].known || memcmp(answers[at].asked, asked, sizeof asked) != 0) {
        answers[at].seconds = __real_heat_felt_cold_seconds(q, level, tau);
        memcpy(answers[at].asked, asked, sizeof asked);
        answers[at].known = true;
    }
    return answers[at].seconds;
}

static void pass_over(void *context, const struct event *e)
{
    (void)context;
    (void)e;
}

static void check_engine(const struct config *c, const uint8_t *bytes, size_t size)
{
    struct engine *e = engine_create(&c->site, &c->rules, &c->signatures, pass_over, NULL);
    struct frame *f = frame_create(&c->site);
    if (!e || !f)
        abort();
    if (engine_load(e, bytes, size)) {
        struct codec_out out = {0};
        struct engine_circuit now;
        f->has = 1U << FRAME_AMPS;
        for (int i = 1; i < 8; i++) {
            f->mono_ms = i * 1000;
            f->wall_ms = NOW + i * 1000;
            f->values[0] = i < 5 ? 12.0F : 0.0F;
            f->values[1] = (float)i;
            engine_feed(e, f);
        }
        engine_circuit(e, 0, &now);
        if (!(now.amps >= 0.0))
            abort();
        engine_save(e, ENGINE_RUNNING, &out);
        engine_save(e, ENGINE_LEARNED, &out);
        if (out.failed)
            abort();
        codec_out_free(&out);
    }
    frame_destroy(f);
    engine_destroy(e);
}

/* bytes of a stranger let nobody in whose token is not in them */
static void check_access(const struct config *c, struct codec_in *in)
{
    struct access *a = access_create(&c->delivery);
    struct access_who who;
    struct codec_out out = {0};
    if (!a)
        abort();
    if (access_load(a, in)) {
        if (access_find(a, "0123456789abcdef0123456789abcdef", NOW, &who))
            abort();
        access_save(a, &out);
        if (out.failed)
            abort();
        codec_out_free(&out);
    }
    access_destroy(a);
}

static void check_trail(const struct config *c, struct codec_in *in)
{
    struct trail *t = trail_create(c->site.circuit_count);
    double heat[50];
    if (!t)
        abort();
    if (trail_load(t, &c->site, in)) {
        trail_put(t, 0, NOW, 0.5);
        trail_get(t, 0, NOW - 86400000, NOW, 50, heat);
    }
    trail_destroy(t);
}

static void check_people(const struct config *c, struct codec_in *in)
{
    struct people *p = people_create(&c->delivery, &c->phrases, &c->site, NULL);
    struct codec_out out = {0};
    if (!p)
        abort();
    if (people_load(p, in))
        people_save(p, &out);
    codec_out_free(&out);
    people_destroy(p);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    const struct config *c = the_config();
    if (size < 1)
        return 0;
    struct codec_in in = {.at = data + 1, .end = data + size};
    switch (data[0] % 4) {
    case 0: check_engine(c, data + 1, size - 1); break;
    case 1: check_access(c, &in); break;
    case 2: check_trail(c, &in); break;
    default: check_people(c, &in); break;
    }
    return 0;
}
