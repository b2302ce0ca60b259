/* foretrip doctor: clock, buses, broker, certificates, the running gateway. */
#include "doctor.h"

#include "certificate.h"

#include "base/clock.h"
#include "base/text.h"
#include "drivers/connect.h"
#include "notify/broker.h"
#include "notify/curl_late.h"

#include <errno.h>
#include <math.h>
#include <mosquitto.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/timex.h>
#include <unistd.h>

#define CONNECT_US INT64_C(3000000)
#define BROKER_MS 8000
#define SOON_DAYS 30.0
#define FIRST_WALL_MS INT64_C(1735689600000) /* 2025-01-01: before foretrip was */
#define MANY_MESSAGES 1000

static const char *word(const json_t *o, const char *member)
{
    const char *s = json_string_value(json_object_get(o, member));
    return s ? s : "";
}

static bool is_true(const json_t *o, const char *member)
{
    return json_is_true(json_object_get(o, member));
}

/* ---- clock ---- */

void doctor_clock(struct doctor *d)
{
    struct timex t = {0};
    int state = adjtimex(&t); /* asks only */
    if (clock_wall_ms() < FIRST_WALL_MS)
        doctor_say(d, FINDING_ERROR, "clock",
                   "set it, or let NTP do it: timedatectl set-ntp true",
                   "this machine's clock is years behind");
    else if (state < 0)
        doctor_say(d, FINDING_NOTE, "clock", NULL,
                   "whether anybody keeps the clock right cannot be told here: %s",
                   strerror(errno));
    else if (state == TIME_ERROR || (t.status & STA_UNSYNC))
        doctor_say(d, FINDING_WARNING, "clock",
                   "timedatectl set-ntp true, or another NTP client; without a network a clock "
                   "module with a battery",
                   "nobody keeps this machine's clock right (the kernel calls it "
                   "unsynchronized): times of trips and letters drift with it");
    else
        doctor_say(d, FINDING_GOOD, "clock", NULL, "the clock is kept right, within %.3f s",
                   (double)t.maxerror / 1e6);
}

/* ---- buses ---- */

static void look_at_serial(struct doctor *d, const struct site_bus *b)
{
    struct stat st;
    int latency_ms = connect_latency_ms("/sys", b->device);
    if (stat(b->device, &st) != 0)
        doctor_say(d, FINDING_ERROR, "bus",
                   "plug the adapter in; a name that stays: /dev/foretrip/... (docs/meters.md)",
                   "%s: %s: %s", b->id, b->device, strerror(errno));
    else if (!S_ISCHR(st.st_mode))
        doctor_say(d, FINDING_ERROR, "bus", "name the serial line's device in site.cfg",
                   "%s: %s is no device", b->id, b->device);
    else if (!doctor_may(d, b->device, R_OK | W_OK))
        doctor_say(d, FINDING_ERROR, "bus",
                   "adduser that user to the device's group (usually dialout), then restart "
                   "foretripd",
                   "%s: the gateway's user %s may not use %s", b->id, d->user, b->device);
    else if (latency_ms > 1)
        doctor_say(d, FINDING_WARNING, "bus",
                   "udevadm control --reload && udevadm trigger --subsystem-match=usb-serial, "
                   "with the rules that foretrip brings",
                   "%s: the adapter %s holds bytes back for %d ms", b->id, b->device,
                   latency_ms);
    else
        doctor_say(d, FINDING_GOOD, "bus", NULL, "%s: %s is there", b->id, b->device);
}

static void look_at_tcp(struct doctor *d, const struct site_bus *b)
{
    char why[256] = "";
    if (d->running)
        return; /* it is connected, and many meters take one connection only */
    modbus_t *m =
        connect_tcp(b->host, b->port, -1, clock_mono_us() + CONNECT_US, why, sizeof why);
    if (!m) {
        doctor_say(d, FINDING_ERROR, "bus",
                   "is the meter on, is that its address, does a firewall stand between?",
                   "%s: %s:%d: %s", b->id, b->host, b->port, why);
        return;
    }
    modbus_close(m);
    modbus_free(m);
    doctor_say(d, FINDING_GOOD, "bus", NULL, "%s: %s:%d can be reached", b->id, b->host,
               b->port);
}

static void look_at_meters(struct doctor *d)
{
    size_t i, good = 0, waiting = 0;
    json_t *m;
    const json_t *meters = json_object_get(d->running, "meters");
    json_array_foreach(meters, i, m)
    {
        const char *state = word(m, "state");
        if (strcmp(state, "ok") == 0)
            good++;
        else if (strcmp(state, "unknown") == 0)
            waiting++;
        else
            doctor_say(
                d, FINDING_ERROR, "meter",
                "foretrip read METER --config DIR tells more; unit, wiring, termination, "
                "its supply",
                "%s: %s%s%s", word(m, "id"), state, word(m, "fault")[0] ? ", " : "",
                word(m, "fault"));
    }
    if (waiting > 0)
        doctor_say(d, FINDING_NOTE, "meter", NULL, "%zu meters were not asked yet", waiting);
    else if (good > 0 && good == json_array_size(meters))
        doctor_say(d, FINDING_GOOD, "meter", NULL, "all %zu answer", good);
}

void doctor_buses(struct doctor *d)
{
    if (!d->usable)
        return;
    for (size_t i = 0; i < d->config.site.bus_count; i++) {
        const struct site_bus *b = &d->config.site.buses[i];
        if (b->device[0])
            look_at_serial(d, b);
        else
            look_at_tcp(d, b);
    }
    if (d->running)
        look_at_meters(d);
}

/* ---- broker ---- */

static void acknowledged(void *context, int mid, int reason)
{
    (void)context, (void)mid, (void)reason;
}

static void subscribed(void *context, int mid, bool granted)
{
    (void)context, (void)mid, (void)granted;
}

static void message(void *context, const struct broker_message *m)
{
    (void)context, (void)m;
}

static enum broker_state try_broker(const struct delivery_broker *b, int protocol,
                                    char why[BROKER_WHY_SIZE])
{
    static const struct broker_calls calls = {acknowledged, subscribed, message};
    struct broker *line = broker_open(
        &(struct broker_options){.broker = b, .protocol = protocol, .calls = &calls}, why);
    enum broker_state state = line ? BROKER_CONNECTING : BROKER_ENDED;
    int64_t end = clock_mono_ms() + BROKER_MS;
    if (!line)
        return state;
    while (state == BROKER_CONNECTING && clock_mono_ms() < end)
        state = broker_turn(line, -1, 100);
    text_copy(why, BROKER_WHY_SIZE, broker_why(line));
    if (state == BROKER_CONNECTING)
        snprintf(why, BROKER_WHY_SIZE, "%.200s:%d: no answer within %d s", b->host, b->port,
                 BROKER_MS / 1000);
    broker_close(line, true);
    return state;
}

static bool broker_reached(const struct doctor *d, char why[BROKER_WHY_SIZE])
{
    struct delivery_broker b = d->config.delivery.broker;
    const json_t *says = json_object_get(d->running, "broker");
    if (json_is_object(says)) {
        text_copy(why, BROKER_WHY_SIZE, word(says, "why"));
        return is_true(says, "connected");
    }
    /* not the gateway's own name: two of one name throw each other out */
    snprintf(b.client_id, sizeof b.client_id, "foretrip-doctor-%ld", (long)getpid());
    mosquitto_lib_init();
    enum broker_state state = try_broker(&b, 5, why);
    if (state == BROKER_REFUSED_VERSION)
        state = try_broker(&b, 4, why);
    mosquitto_lib_cleanup();
    return state == BROKER_UP;
}

void doctor_broker(struct doctor *d)
{
    const struct delivery_broker *b = &d->config.delivery.broker;
    char why[BROKER_WHY_SIZE] = "";
    json_int_t waiting =
        json_integer_value(json_object_get(json_object_get(d->running, "broker"), "waiting"));
    if (!d->usable)
        return;
    if (b->host[0] == '\0')
        doctor_say(d, FINDING_NOTE, "broker", NULL,
                   "delivery.cfg names no broker: nothing is published");
    else if (!broker_reached(d, why))
        doctor_say(d, FINDING_ERROR, "broker",
                   "is it on; do host, port, name and password in delivery.cfg fit; does its "
                   "certificate name that host, and does tls.ca know who signed it?",
                   "%s", why);
    else if (waiting > MANY_MESSAGES)
        doctor_say(d, FINDING_WARNING, "broker", "is it slow, or was it away for long?",
                   "%s:%d takes messages, and %lld still wait", b->host, b->port,
                   (long long)waiting);
    else
        doctor_say(d, FINDING_GOOD, "broker", NULL, "%s:%d lets the gateway in", b->host,
                   b->port);
}

/* ---- certificates ---- */

static void look_at_certificate(struct doctor *d, const char *path, const char *key)
{
    struct certificate c;
    char why[CERTIFICATE_WHY_SIZE];
    if (!path[0] || access(path, R_OK) != 0)
        return; /* permissions has said so */
    if (!certificate_look(path, &c, why)) {
        doctor_say(d, FINDING_ERROR, "certificate", "put one there", "%s", why);
        return;
    }
    if (c.days_left < 0)
        doctor_say(d, FINDING_ERROR, "certificate",
                   "renew it (the broker kit: certificates.sh renew), then reload foretripd",
                   "%s (%s) ended %.0f days ago", path, c.subject, ceil(-c.days_left));
    else if (c.days_until > 0)
        doctor_say(d, FINDING_ERROR, "certificate", "is the clock right?",
                   "%s (%s) holds in %.0f days only", path, c.subject, ceil(c.days_until));
    else if (c.days_left < SOON_DAYS)
        doctor_say(d, FINDING_WARNING, "certificate",
                   "renew it (the broker kit: certificates.sh renew), then reload foretripd",
                   "%s (%s) ends in %.0f days", path, c.subject, floor(c.days_left));
    else
        doctor_say(d, FINDING_GOOD, "certificate", NULL, "%s holds for %.0f days", path,
                   floor(c.days_left));
    if (key[0] && access(key, R_OK) == 0 && !certificate_key_fits(path, key, why))
        doctor_say(d, FINDING_ERROR, "certificate", "put the pair there that belongs together",
                   "%s", why);
}

void doctor_certificates(struct doctor *d)
{
    const struct delivery *v = &d->config.delivery;
    if (!d->usable)
        return;
    look_at_certificate(d, d->config.page.cert, d->config.page.key);
    look_at_certificate(d, v->broker.tls.ca, "");
    look_at_certificate(d, v->broker.tls.cert, v->broker.tls.key);
    look_at_certificate(d, v->mail.ca, "");
    for (size_t i = 0; i < v->person_count; i++)
        look_at_certificate(d, v->people[i].webhook_ca, "");
    for (size_t i = 0; i < d->config.site.bus_count; i++) {
        const struct site_bus_tls *t = &d->config.site.buses[i].tls;
        look_at_certificate(d, t->ca, "");
        look_at_certificate(d, t->cert, t->key);
    }
}

/* ---- letters ---- */

/* the library alone: whether a way gets through is tried by foretrip send-test */
void doctor_letters(struct doctor *d)
{
    const struct delivery *v = &d->config.delivery;
    const char *missing;
    size_t told = 0;
    for (size_t i = 0; d->usable && i < v->person_count; i++)
        told += v->people[i].mail[0] || v->people[i].webhook[0];
    if (told > 0 && !curl_late(&missing))
        doctor_say(d, FINDING_ERROR, "letters",
                   "apt install libcurl4; what waits goes out then",
                   "%zu %s told by mail or webhook and will not be: %s", told,
                   told == 1 ? "person is to be" : "people are to be", missing);
}

/* ---- the running gateway ---- */

static void look_at_parts(struct doctor *d)
{
    size_t i;
    json_t *p;
    json_array_foreach(json_object_get(d->running, "parts"), i, p) if (is_true(p, "stuck"))
        doctor_say(d, FINDING_ERROR, "service",
                   "its watchdog restarts it; without a service manager restart it by hand",
                   "the thread \"%s\" is stuck", word(p, "name"));
}

void doctor_service(struct doctor *d)
{
    const json_t *record = json_object_get(d->running, "record"),
                 *letters = json_object_get(d->running, "letters"),
                 *page = json_object_get(d->running, "page");
    enum finding before = d->worst;
    if (!d->running) {
        doctor_say(d, FINDING_ERROR, "service",
                   d->usable ? "systemctl start foretripd; journalctl -u foretripd says why it "
                               "ended"
                             : "mend the configuration, then systemctl start foretripd",
                   "%s", d->absent);
        return;
    }
    d->worst = FINDING_GOOD;
    look_at_parts(d);
    if (strcmp(word(d->running, "version"), FORETRIP_VERSION) != 0)
        doctor_say(d, FINDING_WARNING, "service", "systemctl restart foretripd",
                   "the gateway that runs is version %s, this is %s",
                   word(d->running, "version"), FORETRIP_VERSION);
    if (!is_true(record, "ok"))
        doctor_say(d, FINDING_ERROR, "service", "see disk, permissions and database above",
                   "the record cannot be written: %s", word(record, "why"));
    if (letters && json_integer_value(json_object_get(letters, "ways_down")) > 0)
        doctor_say(d, FINDING_WARNING, "service",
                   "foretrip send-test PERSON --config DIR tries each way",
                   "letters do not get through: %s", word(letters, "why"));
    if (letters && json_integer_value(json_object_get(letters, "ways_refused")) > 0)
        doctor_say(d, FINDING_ERROR, "service",
                   "mend the address in delivery.cfg and let the gateway read it (systemctl "
                   "reload foretripd): until then nobody is told by that way",
                   "letters are refused for good, %lld %s, the last: %s",
                   (long long)json_integer_value(json_object_get(letters, "ways_refused")),
                   json_integer_value(json_object_get(letters, "ways_refused")) == 1 ? "way"
                                                                                     : "ways",
                   word(letters, "why_refused"));
    if (is_true(page, "wanted") && !is_true(page, "served"))
        doctor_say(d, FINDING_ERROR, "service",
                   "the log says why. The service listens on TCP port 8474 only, until "
                   "SocketBindAllow=tcp:PORT stands in its drop-in (systemctl edit foretripd)",
                   "the page is not served at %s, port %lld", word(page, "listen"),
                   (long long)json_integer_value(json_object_get(page, "port")));
    if (d->worst == FINDING_GOOD)
        doctor_say(d, FINDING_GOOD, "service", NULL, "the gateway runs since %s, process %lld",
                   word(d->running, "started"),
                   (long long)json_integer_value(json_object_get(d->running, "pid")));
    d->worst = before > d->worst ? before : d->worst;
}
