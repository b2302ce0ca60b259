/*
 * AMQP 0-9-1 by librabbitmq: the queues of a RabbitMQ cluster whose MQTT plugin the gateways
 * speak to. What they publish to foretrip/<site>/up arrives at amq.topic as foretrip.<site>.up,
 * from there at an exchange that hashes it onto some quorum queues, so that each site has its
 * queue; each queue has one active consumer, and others that wait for it to die.
 *
 * A message is acknowledged when it is in the store. The whole of it (exchange, bindings,
 * queues) is declared at every connection, which changes nothing where it is there already.
 */
#include "intake.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/text.h"
#include "notify/secret.h"

#include <amqp.h>
#include <amqp_ssl_socket.h>
#include <amqp_tcp_socket.h>

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <sys/time.h>

#define EXCHANGE "foretrip.up"
#define CHANNEL 1
#define HEARTBEAT_S 30
#define PREFETCH 500 /* of each queue, in our hands and not yet in the store */
#define WEIGHT "20"  /* points a queue has on the ring: more share the sites more evenly */
#define RETRY_FIRST_MS 500
#define RETRY_MOST_MS 30000
#define CONNECT_S 5
#define AT_ONCE 500    /* messages handed on in one turn */
#define EPOCH_SHIFT 48 /* a tag is the connection's number and the broker's tag */

struct amqp_intake {
    struct intake base;
    amqp_connection_state_t c; /* NULL: none */
    size_t node;               /* the next one to try */
    uint64_t epoch;
    int64_t retry_mono_ms;
    int retry_ms;
    char said[INTAKE_WHY_SIZE];
};

static void fail(struct amqp_intake *a, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

/* ends the connection; said once until it is there again */
static void fail(struct amqp_intake *a, const char *format, ...)
{
    char why[INTAKE_WHY_SIZE];
    const struct intake_options *o = &a->base.options;
    va_list args;
    va_start(args, format);
    vsnprintf(why, sizeof why, format, args);
    va_end(args);
    if (a->c)
        amqp_destroy_connection(a->c);
    a->c = NULL;
    int most = o->retry_most_ms > 0 ? o->retry_most_ms : RETRY_MOST_MS;
    int first = o->retry_first_ms > 0 ? o->retry_first_ms : RETRY_FIRST_MS;
    a->retry_ms = a->retry_ms == 0 ? first : 2 * a->retry_ms < most ? 2 * a->retry_ms : most;
    a->retry_mono_ms = clock_mono_ms() + a->retry_ms;
    if (strcmp(why, a->said) != 0)
        log_warning("fleet", "%s", why);
    text_copy(a->said, sizeof a->said, why);
}

#define FAULT_SIZE 200

/* what a synchronous call came to, in out; "" when it is well */
static const char *fault_of(amqp_rpc_reply_t r, char out[FAULT_SIZE])
{
    const char *words = "";
    if (r.reply_type == AMQP_RESPONSE_LIBRARY_EXCEPTION)
        words = amqp_error_string2(r.library_error);
    else if (r.reply_type != AMQP_RESPONSE_NORMAL)
        words = "the broker ended it";
    text_copy(out, FAULT_SIZE, words);
    if (r.reply_type == AMQP_RESPONSE_SERVER_EXCEPTION && r.reply.decoded &&
        r.reply.id == AMQP_CHANNEL_CLOSE_METHOD) {
        const amqp_channel_close_t *m = r.reply.decoded;
        snprintf(out, FAULT_SIZE, "%.*s", (int)m->reply_text.len, (char *)m->reply_text.bytes);
    }
    return out;
}

/* ---- connecting ---- */

static amqp_socket_t *make_socket(struct amqp_intake *a, const struct delivery_tls *t)
{
    if (!t->enabled)
        return amqp_tcp_socket_new(a->c);
    amqp_socket_t *s = amqp_ssl_socket_new(a->c);
    if (!s)
        return NULL;
    amqp_ssl_socket_set_verify_peer(s, 1);
    amqp_ssl_socket_set_verify_hostname(s, 1);
    const char *ca = t->ca[0] ? t->ca : "/etc/ssl/certs/ca-certificates.crt";
    if (amqp_ssl_socket_set_cacert(s, ca) != AMQP_STATUS_OK ||
        (t->cert[0] && amqp_ssl_socket_set_key(s, t->cert, t->key) != AMQP_STATUS_OK))
        return NULL;
    return s;
}

static bool log_in(struct amqp_intake *a, const struct fleet_settings *s)
{
    char password[SECRET_SIZE] = "guest", why[INTAKE_WHY_SIZE], fault[FAULT_SIZE];
    const char *user = s->broker.username[0] ? s->broker.username : "guest";
    if (s->broker.password_file[0] &&
        !secret_read(s->broker.password_file, "the password", password, why, sizeof why)) {
        fail(a, "%s", why);
        return false;
    }
    amqp_rpc_reply_t r = amqp_login(a->c, s->vhost, 0, AMQP_DEFAULT_FRAME_SIZE, HEARTBEAT_S,
                                    AMQP_SASL_METHOD_PLAIN, user, password);
    explicit_bzero(password, sizeof password);
    if (r.reply_type == AMQP_RESPONSE_NORMAL)
        amqp_channel_open(a->c, CHANNEL);
    if (r.reply_type == AMQP_RESPONSE_NORMAL)
        r = amqp_get_rpc_reply(a->c);
    if (r.reply_type == AMQP_RESPONSE_NORMAL)
        return true;
    fail(a, "the broker lets us not in: %s", fault_of(r, fault));
    return false;
}

static bool open_line(struct amqp_intake *a, const struct fleet_node *at)
{
    const struct fleet_settings *s = a->base.options.settings;
    struct timeval most = {.tv_sec = CONNECT_S};
    a->c = amqp_new_connection();
    amqp_socket_t *socket = a->c ? make_socket(a, &s->broker.tls) : NULL;
    if (!socket) {
        fail(a, "memory is short, or a file of tls cannot be read");
        return false;
    }
    amqp_set_handshake_timeout(a->c, &most);
    amqp_set_rpc_timeout(a->c, &(struct timeval){.tv_sec = 30});
    int rc = amqp_socket_open_noblock(socket, at->host, at->port, &most);
    if (rc != AMQP_STATUS_OK) {
        fail(a, "%s:%d: %s", at->host, at->port, amqp_error_string2(rc));
        return false;
    }
    return log_in(a, s);
}

/* ---- exchange, bindings, queues ---- */

static bool declare_exchange(amqp_connection_state_t c)
{
    static const char *const keys[] = {"foretrip.*.up", "foretrip.*.status"};
    amqp_exchange_declare(c, CHANNEL, amqp_cstring_bytes(EXCHANGE),
                          amqp_cstring_bytes("x-consistent-hash"), 0, 1, 0, 0,
                          amqp_empty_table);
    for (int i = 0; i < 2 && amqp_get_rpc_reply(c).reply_type == AMQP_RESPONSE_NORMAL; i++)
        amqp_exchange_bind(c, CHANNEL, amqp_cstring_bytes(EXCHANGE),
                           amqp_cstring_bytes("amq.topic"), amqp_cstring_bytes(keys[i]),
                           amqp_empty_table);
    return amqp_get_rpc_reply(c).reply_type == AMQP_RESPONSE_NORMAL;
}

static bool declare_queue(amqp_connection_state_t c, const char *name)
{
    amqp_table_entry_t entries[] = {
        {.key = amqp_cstring_bytes("x-queue-type"),
         .value = {.kind = AMQP_FIELD_KIND_UTF8, .value.bytes = amqp_cstring_bytes("quorum")}},
        {.key = amqp_cstring_bytes("x-single-active-consumer"),
         .value = {.kind = AMQP_FIELD_KIND_BOOLEAN, .value.boolean = 1}}};
    amqp_queue_declare(c, CHANNEL, amqp_cstring_bytes(name), 0, 1, 0, 0,
                       (amqp_table_t){.num_entries = 2, .entries = entries});
    if (amqp_get_rpc_reply(c).reply_type != AMQP_RESPONSE_NORMAL)
        return false;
    amqp_queue_bind(c, CHANNEL, amqp_cstring_bytes(name), amqp_cstring_bytes(EXCHANGE),
                    amqp_cstring_bytes(WEIGHT), amqp_empty_table);
    return amqp_get_rpc_reply(c).reply_type == AMQP_RESPONSE_NORMAL;
}

static bool consume(amqp_connection_state_t c, const char *name)
{
    amqp_basic_consume(c, CHANNEL, amqp_cstring_bytes(name), amqp_empty_bytes, 0, 0, 0,
                       amqp_empty_table);
    return amqp_get_rpc_reply(c).reply_type == AMQP_RESPONSE_NORMAL;
}

/* Whoever comes first is the active one of a queue. Collectors that start together begin at
 * different queues, so that they share them. */
static bool declare_all(struct amqp_intake *a)
{
    int queues = a->base.options.settings->queues;
    char name[40];
    uint16_t first = 0;
    ssize_t n = getrandom(&first, sizeof first, GRND_NONBLOCK); /* else 0 will do */
    (void)n;
    amqp_basic_qos(a->c, CHANNEL, 0, PREFETCH, 0);
    bool good =
        amqp_get_rpc_reply(a->c).reply_type == AMQP_RESPONSE_NORMAL && declare_exchange(a->c);
    for (int i = 0; good && i < queues; i++) {
        snprintf(name, sizeof name, EXCHANGE ".%d", i);
        good = declare_queue(a->c, name);
    }
    for (int i = 0; good && i < queues; i++) {
        snprintf(name, sizeof name, EXCHANGE ".%d", (first + i) % queues);
        good = consume(a->c, name);
    }
    return good;
}

static void dial(struct amqp_intake *a)
{
    struct fleet_node nodes[FLEET_MOST_NODES];
    size_t count = fleet_list_nodes(a->base.options.settings, nodes);
    const struct fleet_node *at = &nodes[a->node++ % count];
    if (!open_line(a, at))
        return;
    if (!declare_all(a)) {
        char fault[FAULT_SIZE];
        fail(a, "%s:%d: the queues cannot be had (is the consistent hash plugin on?): %s",
             at->host, at->port, fault_of(amqp_get_rpc_reply(a->c), fault));
        return;
    }
    a->epoch++;
    a->retry_ms = 0;
    a->said[0] = '\0';
    log_info("fleet", "connected to %s:%d with AMQP", at->host, at->port);
}

/* ---- the ways ---- */

/* false: nothing more now */
static bool take_one(struct amqp_intake *a, int timeout_ms)
{
    amqp_envelope_t e;
    char topic[SITE_ID_SIZE + 32];
    struct timeval most = {.tv_sec = timeout_ms / 1000, .tv_usec = timeout_ms % 1000 * 1000L};
    amqp_maybe_release_buffers(a->c);
    amqp_rpc_reply_t r = amqp_consume_message(a->c, &e, &most, 0);
    if (r.reply_type == AMQP_RESPONSE_LIBRARY_EXCEPTION &&
        r.library_error == AMQP_STATUS_TIMEOUT)
        return false;
    if (r.reply_type != AMQP_RESPONSE_NORMAL) { /* a queue that moved ends its consumers too */
        char fault[FAULT_SIZE];
        fail(a, "the connection to the broker ended: %s", fault_of(r, fault));
        return false;
    }
    uint64_t tag = a->epoch << EPOCH_SHIFT | e.delivery_tag;
    snprintf(topic, sizeof topic, "%.*s", (int)e.routing_key.len, (char *)e.routing_key.bytes);
    if (!intake_hand_on(&a->base, topic, '.', e.message.body.bytes, e.message.body.len, tag))
        amqp_basic_ack(a->c, CHANNEL, e.delivery_tag, 0); /* nobody's */
    amqp_destroy_envelope(&e);
    return true;
}

static bool turn(struct intake *i, int timeout_ms)
{
    struct amqp_intake *a = (struct amqp_intake *)i;
    if (!a->c && clock_mono_ms() >= a->retry_mono_ms)
        dial(a);
    if (!a->c) {
        int64_t left = a->retry_mono_ms - clock_mono_ms();
        int64_t ms = left < timeout_ms ? left : timeout_ms;
        clock_sleep_until_us(clock_mono_us() + 1000 * (ms > 0 ? ms : 0));
        return false;
    }
    for (int n = 0; n < AT_ONCE && a->c; n++)
        if (!take_one(a, n == 0 ? timeout_ms : 0))
            break;
    return a->c != NULL;
}

static void taken(struct intake *i, uint64_t tag)
{
    struct amqp_intake *a = (struct amqp_intake *)i;
    uint64_t mask = (UINT64_C(1) << EPOCH_SHIFT) - 1;
    if (!a->c || tag >> EPOCH_SHIFT != a->epoch)
        return; /* of a connection that is gone: it comes again, and is passed over */
    int rc = amqp_basic_ack(a->c, CHANNEL, tag & mask, 1);
    if (rc != AMQP_STATUS_OK)
        fail(a, "the broker cannot be told what is in the store: %s", amqp_error_string2(rc));
}

static void leave(struct intake *i)
{
    struct amqp_intake *a = (struct amqp_intake *)i;
    if (a->c)
        amqp_destroy_connection(a->c);
    a->c = NULL;
}

static bool ask(struct intake *i, const char *site, const char *verb, const char *json)
{
    struct amqp_intake *a = (struct amqp_intake *)i;
    char key[sizeof "foretrip..command." + SITE_ID_SIZE + 32];
    snprintf(key, sizeof key, "foretrip.%s.command.%s", site, verb);
    const amqp_basic_properties_t lasting = {._flags = AMQP_BASIC_DELIVERY_MODE_FLAG,
                                             .delivery_mode = AMQP_DELIVERY_PERSISTENT};
    if (!a->c)
        return false;
    int rc =
        amqp_basic_publish(a->c, CHANNEL, amqp_cstring_bytes("amq.topic"),
                           amqp_cstring_bytes(key), 0, 0, &lasting, amqp_cstring_bytes(json));
    if (rc != AMQP_STATUS_OK)
        fail(a, "the broker cannot be asked: %s", amqp_error_string2(rc));
    return rc == AMQP_STATUS_OK;
}

static void close_it(struct intake *i)
{
    struct amqp_intake *a = (struct amqp_intake *)i;
    if (a->c)
        amqp_connection_close(a->c, AMQP_REPLY_SUCCESS);
    leave(i);
    free(a);
}

static const struct intake_ways ways = {
    .close = close_it, .turn = turn, .taken = taken, .leave = leave, .ask = ask};

struct intake *intake_amqp_open(const struct intake_options *o, char why[INTAKE_WHY_SIZE])
{
    struct amqp_intake *a = calloc(1, sizeof *a);
    if (!a) {
        snprintf(why, INTAKE_WHY_SIZE, "memory is short");
        return NULL;
    }
    a->base = (struct intake){.ways = &ways, .options = *o};
    return &a->base;
}
