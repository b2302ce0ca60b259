/* Any bytes as fleet.cfg: never a crash, never a refusal without a line that says why, and what
 * is accepted can be worked with: a port, nodes within their bounds, a group that a topic can
 * name. The bytes are a topic from the broker too. */
#include "config/fleet_file.h"
#include "fleet/intake.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* libconfig 1.5 loses the text it is just reading when it stops at a syntax error: a few bytes
 * for each faulty file, in the library and out of our reach. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
    return "leak:strbuf_append\nleak:libconfig_yylex\n";
}

static void check_settings(const struct fleet_settings *f)
{
    struct fleet_node nodes[FLEET_MOST_NODES];
    size_t count = fleet_list_nodes(f, nodes);
    if (count < 1 || count > FLEET_MOST_NODES || !f->database[0] || !site_id_valid(f->group) ||
        f->queues < 1 || f->queues > 256 || f->intake < 0 || f->intake >= FLEET_INTAKES)
        abort();
    for (size_t i = 0; i < count; i++)
        if (!memchr(nodes[i].host, '\0', sizeof nodes[i].host) || !nodes[i].host[0] ||
            nodes[i].port < 1 || nodes[i].port > 65535)
            abort();
}

static void check_topic(const uint8_t *data, size_t size)
{
    char site[SITE_ID_SIZE], *topic = malloc(size + 1);
    const char *word = NULL;
    if (!topic)
        abort();
    memcpy(topic, data, size);
    topic[size] = '\0';
    for (int i = 0; i < 2; i++)
        if (intake_read_topic(topic, "/."[i], site, &word) &&
            (!site_id_valid(site) || word <= topic || word > topic + strlen(topic)))
            abort();
    free(topic);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    const struct config_text text = {"fleet.cfg", (const char *)data, size};
    struct fleet_settings f;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct text words = TEXT_INIT;
    bool good = fleet_file_load_memory(&f, &text, 1, &faults);
    faults_print(&faults, "", &words);
    if (good)
        check_settings(&f);
    else if (words.length == 0)
        abort();
    check_topic(data, size);
    text_free(&words);
    faults_free(&faults);
    return 0;
}
