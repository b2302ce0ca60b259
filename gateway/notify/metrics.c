#include "metrics.h"

#include "model/event.h"

#include <inttypes.h>
#include <math.h>

static void head(struct text *out, const char *name, const char *type, const char *unit,
                 const char *help)
{
    text_printf(out, "# TYPE foretrip_%s %s\n", name, type);
    if (unit)
        text_printf(out, "# UNIT foretrip_%s %s\n", name, unit);
    text_printf(out, "# HELP foretrip_%s %s\n", name, help);
}

static void counter(struct text *out, const char *name, const char *help, uint64_t value)
{
    head(out, name, "counter", NULL, help);
    text_printf(out, "foretrip_%s_total %" PRIu64 "\n", name, value);
}

static void gauge(struct text *out, const char *name, const char *unit, const char *help,
                  double value)
{
    head(out, name, "gauge", unit, help);
    text_printf(out, "foretrip_%s %.10g\n", name, value);
}

static void write_engine(const struct metrics *m, struct text *out)
{
    head(out, "build", "info", NULL, "Version and site.");
    text_printf(out, "foretrip_build_info{version=\"%s\",site=\"%s\"} 1\n", FORETRIP_VERSION,
                m->site);
    gauge(out, "start_time_seconds", "seconds", "When the gateway began, Unix time.",
          (double)m->started_wall_ms / 1000.0);
    counter(out, "frames", "Rounds of readings judged.", m->frames);
    counter(out, "events", "Events recorded.", m->events);
    head(out, "alarms_raised", "counter", NULL, "Alarms raised, by priority.");
    for (int p = 0; p < 3; p++)
        text_printf(out, "foretrip_alarms_raised_total{priority=\"%s\"} %" PRIu64 "\n",
                    alarm_priority_name((enum alarm_priority)p), m->raised[p]);
    counter(out, "alerts_raised", "Alerts raised, which ask for nothing to be done.",
            m->alerts);
    gauge(out, "reports_waiting", NULL, "Reports of the buses that wait for the engine.",
          (double)m->reports_waiting);
    counter(out, "reports_dropped", "Reports that found the queue full.", m->reports_dropped);
    gauge(out, "turn_longest_seconds", "seconds",
          "The longest turn of the engine since the last of these texts.", m->turn_seconds);
}

static void write_record(const struct metrics *m, struct text *out)
{
    const struct store_status *r = &m->record;
    gauge(out, "record_ok", NULL, "1 when the last write went well.", r->err == STORE_OK);
    gauge(out, "record_size_bytes", "bytes", "Size of the database.",
          (double)m->database_bytes);
    gauge(out, "record_waiting_bytes", "bytes", "What waits in memory to be written.",
          (double)r->waiting_bytes);
    counter(out, "record_lost", "Events, messages and states that were lost.", r->lost_records);
    counter(out, "record_lost_readings", "Rounds of readings that were lost.",
            r->lost_readings);
    gauge(out, "outbox_messages", NULL, "Messages that wait, by all ways.",
          (double)r->outbox_rows);
    gauge(out, "outbox_oldest_seconds", "seconds",
          "Age of the oldest message that waits for the broker.", m->outbox_oldest_seconds);
    counter(out, "outbox_dropped", "Messages dropped from a full outbox.", r->dropped_messages);
}

static void write_mqtt(const struct mqtt_status *s, struct text *out)
{
    gauge(out, "mqtt_connected", NULL, "1 while connected to the broker.", s->connected);
    counter(out, "mqtt_connects", "Connections made.", s->connects);
    counter(out, "mqtt_acknowledged", "Messages that the broker has acknowledged.",
            s->acknowledged);
    counter(out, "mqtt_refused", "Messages that the broker refused for good.", s->refused);
    counter(out, "mqtt_commands_refused", "Commands that were not understood.",
            s->commands_refused);
}

static void write_letters(const struct courier_status *s, struct text *out)
{
    counter(out, "letters_accepted", "Letters that a mail server or a webhook has taken.",
            s->accepted);
    counter(out, "letters_refused", "Letters refused for good.", s->refused);
    counter(out, "letters_expired", "Letters that were past their time.", s->expired);
    counter(out, "letters_failed_tries", "Tries that did not get through.", s->failed_tries);
    gauge(out, "letters_waiting", NULL, "Letters that wait.", (double)s->waiting);
    gauge(out, "letters_oldest_seconds", "seconds", "Age of the oldest letter that waits.",
          (double)s->oldest_ms / 1000.0);
    gauge(out, "letters_ways_down", NULL, "Ways whose last try failed.", (double)s->ways_down);
    gauge(out, "letters_ways_refused", NULL, "Ways whose last letter was refused for good.",
          (double)s->ways_refused);
}

static void write_buses(const struct metrics *m, struct text *out)
{
    static const struct {
        const char *name, *help;
        size_t at;
    } rows[] = {
        {"bus_reads", "Requests sent to meters.", offsetof(struct metrics_bus, reads)},
        {"bus_answers", "Good answers.", offsetof(struct metrics_bus, answers)},
        {"bus_retries", "Second tries within a period.", offsetof(struct metrics_bus, retries)},
        {"bus_missed", "Periods that passed without a poll.",
         offsetof(struct metrics_bus, missed)},
    };
    for (size_t r = 0; m->bus_count > 0 && r < sizeof rows / sizeof rows[0]; r++) {
        head(out, rows[r].name, "counter", NULL, rows[r].help);
        for (size_t i = 0; i < m->bus_count; i++)
            text_printf(out, "foretrip_%s_total{bus=\"%s\"} %" PRIu64 "\n", rows[r].name,
                        m->buses[i].id,
                        *(const uint64_t *)((const char *)&m->buses[i] + rows[r].at));
    }
}

static void write_faults(const struct metrics *m, struct text *out)
{
    head(out, "bus_faults", "counter", NULL, "Reads that failed, by what went wrong.");
    for (size_t i = 0; i < m->bus_count; i++)
        for (const struct metrics_fault *f = m->buses[i].faults; f->kind; f++)
            text_printf(out, "foretrip_bus_faults_total{bus=\"%s\",fault=\"%s\"} %" PRIu64 "\n",
                        m->buses[i].id, f->kind, f->count);
}

/* a histogram: each class with all below it */
static void write_times(const struct metrics *m, struct text *out)
{
    head(out, "bus_answer_seconds", "histogram", "seconds",
         "How long a meter's good answers took, from the request on.");
    for (size_t i = 0; i < m->bus_count; i++) {
        const struct metrics_bus *b = &m->buses[i];
        uint64_t count = 0;
        for (int t = 0; t < METRICS_CLASSES; t++) {
            bool last = isinf(b->times[t].most_seconds);
            count += b->times[t].count;
            text_printf(out, "foretrip_bus_answer_seconds_bucket{bus=\"%s\",le=\"", b->id);
            text_printf(out, last ? "+Inf" : "%.10g", b->times[t].most_seconds);
            text_printf(out, "\"} %" PRIu64 "\n", count);
            if (last)
                break;
        }
        text_printf(out, "foretrip_bus_answer_seconds_count{bus=\"%s\"} %" PRIu64 "\n", b->id,
                    count);
        text_printf(out, "foretrip_bus_answer_seconds_sum{bus=\"%s\"} %.6f\n", b->id,
                    b->seconds);
    }
}

static void write_conventions(const struct metrics *m, struct text *out)
{
    head(out, "convention_connected", "gauge", NULL,
         "1 while an open convention's own line is connected.");
    for (size_t i = 0; i < m->convention_count; i++)
        text_printf(out, "foretrip_convention_connected{convention=\"%s\"} %d\n",
                    m->conventions[i].name, m->conventions[i].connected);
}

void metrics_write(const struct metrics *m, struct text *out)
{
    write_engine(m, out);
    write_record(m, out);
    if (m->mqtt)
        write_mqtt(m->mqtt, out);
    if (m->courier)
        write_letters(m->courier, out);
    if (m->convention_count > 0)
        write_conventions(m, out);
    write_buses(m, out);
    if (m->bus_count > 0) {
        write_faults(m, out);
        write_times(m, out);
    }
    text_append(out, "# EOF\n");
}
