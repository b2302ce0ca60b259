#include "check.h"

#include <stdlib.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/clock.h"
#include "drivers/connect.h"
#include "drivers/link.h"
#include "fake_meter.h"
#include "held_time.h"

/* ---- published frames through libmodbus over a socket pair
 * ------------------------------------ */

struct pair {
    struct site_bus bus;
    struct link *link;
    int far; /* the meter's end */
};

static void make_pair(struct pair *p, bool tcp)
{
    int fds[2];
    held_time_begin(NULL);
    *p = (struct pair){
        .bus = {.baud = 115200, .parity = 'E', .stop_bits = 1, .timeout_ms = 400}};
    if (!tcp)
        snprintf(p->bus.device, sizeof p->bus.device, "socket pair");
    assert_int_equal(socketpair(AF_UNIX, SOCK_STREAM, 0, fds), 0);
    p->link = link_create(&p->bus, -1);
    assert_non_null(p->link);
    assert_true(link_adopt(p->link, fds[0]));
    p->far = fds[1];
}

static void drop_pair(struct pair *p)
{
    link_destroy(p->link);
    close(p->far);
    held_time_end();
}

/* CRC-16/MODBUS: catalogue check value over "123456789" and the example of MODBUS over Serial
 * Line V1.02, section 6.2.2 (02 07, CRC 0x1241) */
static void the_tests_own_check_sum_is_the_published_one(void **state)
{
    (void)state;
    static const uint8_t example[] = {0x02, 0x07};
    assert_int_equal(fake_crc((const uint8_t *)"123456789", 9), 0x4B37);
    assert_int_equal(fake_crc(example, 2), 0x1241);
}

/* RTU requests that stand in public documents, and the MBAP layout of Messaging on TCP/IP
 * V1.0b, section 3 */
static void requests_are_the_published_bytes(void **state)
{
    (void)state;
    static const struct {
        struct link_read read;
        uint8_t bytes[8];
    } rows[] = {
        {{0x11, 3, 0x6B, 3}, {0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87}},
        {{0x11, 4, 8, 1}, {0x11, 0x04, 0x00, 0x08, 0x00, 0x01, 0xB2, 0x98}},
        {{1, 3, 0, 10}, {0x01, 0x03, 0x00, 0x00, 0x00, 0x0A, 0xC5, 0xCD}},
        {{1, 3, 0, 2}, {0x01, 0x03, 0x00, 0x00, 0x00, 0x02, 0xC4, 0x0B}},
        {{1, 4, 0, 2}, {0x01, 0x04, 0x00, 0x00, 0x00, 0x02, 0x71, 0xCB}},
    };
    uint16_t registers[125];
    for (int tcp = 0; tcp < 2; tcp++)
        for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
            struct pair p;
            make_pair(&p, tcp);
            uint8_t got[32], mbap[12] = {0, 1, 0, 0, 0, 6};
            struct link_result r =
                link_read(p.link, &rows[i].read, clock_mono_us() + 5000, registers);
            assert_int_equal(r.fault, FAULT_TIMEOUT);
            memcpy(mbap + 6, rows[i].bytes, 6);
            assert_int_equal(recv(p.far, got, sizeof got, MSG_DONTWAIT), tcp ? 12 : 8);
            assert_memory_equal(got, tcp ? mbap : rows[i].bytes, tcp ? 12 : 8);
            drop_pair(&p);
        }
}

struct answer_row {
    bool tcp;
    struct answer_request request;
    uint8_t bytes[24];
    size_t length;
    enum fault fault;
    int exception;
    uint16_t registers[3];
};

#define RTU(unit_, function_, count_)                                                          \
    false,                                                                                     \
    {                                                                                          \
        .unit = (unit_), .function = (function_), .count = (count_)                            \
    }
#define TCP(unit_, function_, count_)                                                          \
    true,                                                                                      \
    {                                                                                          \
        .tcp = true, .transaction = 1, .unit = (unit_), .function = (function_),               \
        .count = (count_)                                                                      \
    }

static const struct answer_row answers[] = {
    /* public documents and tutorials; check sums recomputed independently */
    {RTU(1, 4, 1), {0x01, 0x04, 0x02, 0xFF, 0xFF, 0xB8, 0x80}, 7, FAULT_NONE, 0, {0xFFFF}},
    {RTU(17, 3, 3),
     {0x11, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64, 0xC8, 0xBA},
     11,
     FAULT_NONE,
     0,
     {555, 0, 100}},
    {RTU(17, 3, 3),
     {0x11, 0x03, 0x06, 0xAE, 0x41, 0x56, 0x52, 0x43, 0x40, 0x49, 0xAD},
     11,
     FAULT_NONE,
     0,
     {0xAE41, 0x5652, 0x4340}},
    {RTU(17, 4, 1), {0x11, 0x04, 0x02, 0x00, 0x0A, 0xF8, 0xF4}, 7, FAULT_NONE, 0, {10}},
    {RTU(17, 3, 3), {0x11, 0x83, 0x02, 0xC1, 0x34}, 5, FAULT_EXCEPTION, 2, {0}},
    /* the same, damaged */
    {RTU(17, 3, 3),
     {0x11, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x01, 0x00, 0x64, 0xC8, 0xBA},
     11,
     FAULT_CRC,
     0,
     {0}},
    {RTU(17, 4, 1), {0x11, 0x04, 0x02, 0x00, 0x0A, 0xF4, 0xF8}, 7, FAULT_CRC, 0, {0}},
    {RTU(18, 4, 1), {0x11, 0x04, 0x02, 0x00, 0x0A, 0xF8, 0xF4}, 7, FAULT_UNIT, 0, {0}},
    {RTU(17, 3, 1), {0x11, 0x04, 0x02, 0x00, 0x0A, 0xF8, 0xF4}, 7, FAULT_FUNCTION, 0, {0}},
    {RTU(17, 4, 2), {0x11, 0x04, 0x02, 0x00, 0x0A, 0xF8, 0xF4}, 7, FAULT_LENGTH, 0, {0}},
    /* MBAP */
    {TCP(1, 3, 2),
     {0, 1, 0, 0, 0, 7, 1, 3, 4, 0x02, 0x2B, 0x00, 0x64},
     13,
     FAULT_NONE,
     0,
     {555, 100}},
    {TCP(1, 3, 2), {0, 1, 0, 0, 0, 3, 1, 0x83, 2}, 9, FAULT_EXCEPTION, 2, {0}},
    {TCP(1, 4, 1), {0, 1, 0, 0, 0, 3, 1, 0x84, 0x0B}, 9, FAULT_EXCEPTION, 11, {0}},
    {TCP(1, 4, 1), {0, 1, 0, 0, 0, 3, 1, 0x84, 0x7F}, 9, FAULT_EXCEPTION, 127, {0}},
    {TCP(2, 3, 1), {0, 1, 0, 0, 0, 5, 1, 3, 2, 0, 9}, 11, FAULT_UNIT, 0, {0}},
    {TCP(1, 3, 1), {0, 1, 0, 0, 0, 5, 1, 4, 2, 0, 9}, 11, FAULT_FUNCTION, 0, {0}},
    {TCP(1, 3, 1), {0, 1, 0, 0, 0, 9, 1, 3, 2, 0, 9}, 11, FAULT_LENGTH, 0, {0}},
    {TCP(1, 3, 2), {0, 1, 0, 0, 0, 5, 1, 3, 2, 0, 9}, 11, FAULT_LENGTH, 0, {0}},
    {TCP(1, 3, 2), {0, 1, 0, 0, 0, 6, 1, 3, 3, 0, 9, 9}, 12, FAULT_LENGTH, 0, {0}},
    {TCP(1, 3, 2), {0, 1, 0, 0, 0, 7, 1, 3, 4, 0, 9}, 11, FAULT_CONNECTION, 0, {0}}, /* ended */
    {TCP(1, 3, 1), {0, 1, 0, 0, 0, 255, 1, 3, 255}, 9, FAULT_LENGTH, 0, {0}},
};

static void answers_are_parsed_or_judged_by_kind(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof answers / sizeof answers[0]; i++) {
        const struct answer_row *row = &answers[i];
        struct pair p;
        make_pair(&p, row->tcp);
        uint16_t registers[125] = {0};
        assert_int_equal(send(p.far, row->bytes, row->length, 0), row->length);
        shutdown(p.far, SHUT_WR);
        struct link_result r =
            link_receive(p.link, &row->request, clock_mono_us() + 1000000, registers);
        if (r.fault != row->fault)
            fail_msg("answer %zu: %s, wanted %s", i, fault_name(r.fault),
                     fault_name(row->fault));
        assert_int_equal(r.exception, row->exception);
        assert_memory_equal(registers, row->registers, sizeof row->registers);
        drop_pair(&p);
    }
}

/* ---- a meter with bad manners
 * ---------------------------------------------------------------- */

struct rig {
    struct fake_meter *fake;
    struct site_bus bus;
    struct link *link;
    uint16_t registers[125];
};

static void rig_around(struct rig *r, struct fake_meter *fake, bool tcp, int timeout_ms)
{
    *r = (struct rig){.fake = fake, .bus = {.baud = 115200, .parity = 'E', .stop_bits = 1}};
    r->bus.timeout_ms = timeout_ms;
    r->bus.port = fake_meter_port(r->fake);
    if (tcp)
        snprintf(r->bus.host, sizeof r->bus.host, "127.0.0.1");
    else
        snprintf(r->bus.device, sizeof r->bus.device, "%s", fake_meter_device(r->fake));
    r->link = link_create(&r->bus, -1);
    assert_non_null(r->link);
}

static void rig_up(struct rig *r, bool tcp, int timeout_ms)
{
    held_time_begin(NULL);
    rig_around(r, fake_meter_by_hand(tcp), tcp, timeout_ms);
}

/* over a real connection or pseudo-terminal, in real time */
static void rig_live(struct rig *r, bool tcp)
{
    rig_around(r, tcp ? fake_meter_tcp() : fake_meter_serial(), tcp, 60000);
}

static void rig_down(struct rig *r)
{
    link_destroy(r->link);
    fake_meter_stop(r->fake);
    held_time_end();
}

static struct link_result ask(struct rig *r, int unit, int address, int count)
{
    char why[128] = "";
    struct link_read q = {unit, 3, address, count};
    if (!link_is_open(r->link) &&
        !link_open(r->link, clock_mono_us() + 60000000, why, sizeof why))
        fail_msg("%s", why);
    return link_read(r->link, &q, clock_mono_us() + 120000000, r->registers);
}

static void assert_good(struct rig *r, int unit, int address, int count)
{
    struct link_result result = ask(r, unit, address, count);
    if (result.fault != FAULT_NONE)
        fail_msg("not a good answer but: %s", fault_name(result.fault));
    for (int i = 0; i < count; i++)
        assert_int_equal(r->registers[i], fake_register(unit, address + i));
}

static void each_bad_manner_has_its_own_kind_and_the_next_read_is_good(void **state)
{
    (void)state;
    static const struct {
        int act;
        enum fault tcp, serial; /* FAULT_NONE: does not exist there */
    } rows[] = {
        {FAKE_SILENT, FAULT_TIMEOUT, FAULT_TIMEOUT},
        {FAKE_WRONG_UNIT, FAULT_UNIT, FAULT_UNIT},
        {FAKE_WRONG_FUNCTION, FAULT_FUNCTION, FAULT_FUNCTION},
        {FAKE_WRONG_TRANSACTION, FAULT_TRANSACTION, FAULT_NONE},
        {FAKE_WRONG_PROTOCOL, FAULT_TRANSACTION, FAULT_NONE},
        {FAKE_SHORT, FAULT_SHORT, FAULT_SHORT},
        {FAKE_SPLIT, FAULT_SHORT, FAULT_NONE},
        {FAKE_WRONG_COUNT, FAULT_LENGTH, FAULT_LENGTH},
        {FAKE_WRONG_LENGTH, FAULT_LENGTH, FAULT_NONE},
        {FAKE_BAD_CRC, FAULT_NONE, FAULT_CRC},
        {FAKE_CLOSE, FAULT_CONNECTION, FAULT_NONE},
        {FAKE_EXCEPTION + 1, FAULT_EXCEPTION, FAULT_EXCEPTION},
        {FAKE_EXCEPTION + 6, FAULT_EXCEPTION, FAULT_EXCEPTION},
        {FAKE_EXCEPTION + 11, FAULT_EXCEPTION, FAULT_EXCEPTION},
    };
    for (int tcp = 0; tcp < 2; tcp++) {
        struct rig r;
        rig_up(&r, tcp, 150);
        assert_good(&r, 7, 100, 20);
        for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
            enum fault wanted = tcp ? rows[i].tcp : rows[i].serial;
            if (wanted == FAULT_NONE)
                continue;
            fake_meter_script(r.fake, -1, &rows[i].act, 1);
            struct link_result result = ask(&r, 7, 100, 20);
            if (result.fault != wanted)
                fail_msg("%s, act %d: %s, wanted %s", tcp ? "TCP" : "serial", rows[i].act,
                         fault_name(result.fault), fault_name(wanted));
            if (wanted == FAULT_EXCEPTION)
                assert_int_equal(result.exception, rows[i].act - FAKE_EXCEPTION);
            assert_good(&r, 7, 200, 20);
        }
        rig_down(&r);
    }
}

static void bytes_behind_an_answer_are_not_taken_for_the_next(void **state)
{
    (void)state;
    for (int tcp = 0; tcp < 2; tcp++) {
        struct rig r;
        static const int extra[] = {FAKE_EXTRA};
        rig_up(&r, tcp, 400);
        fake_meter_script(r.fake, -1, extra, 1);
        assert_good(&r, 7, 100, 20);
        struct link_result result = ask(&r, 7, 200, 20);
        assert_int_equal(result.fault, FAULT_NONE);
        assert_int_equal(result.stray, 1);
        assert_int_equal(r.registers[0], fake_register(7, 200));
        rig_down(&r);
    }
}

/* Behind a meter's hundredth good answer nobody looks at once: what comes there costs one try
 * at the most, and is looked for again from then on. */
static void a_meter_that_loses_its_manners_late_costs_one_try(void **state)
{
    (void)state;
    static const int extra[] = {FAKE_EXTRA};
    struct rig r;
    rig_up(&r, true, 400);
    for (int i = 0; i < 100; i++)
        assert_good(&r, 7, 100, 20);
    for (int round = 0; round < 2; round++) {
        fake_meter_script(r.fake, -1, extra, 1);
        assert_good(&r, 7, 100, 20);
        struct link_result result = ask(&r, 7, 200, 20);
        if (round == 1) /* suspicious by now */
            assert_int_equal(result.stray, 1);
        if (result.fault == FAULT_NONE)
            assert_int_equal(r.registers[0], fake_register(7, 200));
        assert_good(&r, 7, 300, 20);
    }
    rig_down(&r);
}

/* The late answer has the right unit, function and length, and only other contents. */
static void a_late_answer_is_never_the_answer_to_the_next_request(void **state)
{
    (void)state;
    for (int tcp = 0; tcp < 2; tcp++) {
        struct rig r;
        static const int late[] = {FAKE_LATE};
        rig_up(&r, tcp, 300);
        fake_meter_late_ms(r.fake, 450);
        fake_meter_script(r.fake, -1, late, 1);
        assert_int_equal(ask(&r, 7, 100, 20).fault, FAULT_TIMEOUT);
        struct link_result result = ask(&r, 7, 200, 20);
        assert_int_equal(result.fault, FAULT_NONE);
        assert_int_equal(r.registers[0], fake_register(7, 200));
        /* on TCP the second answer is there before the late one, which the third read meets */
        int met = result.late;
        for (int i = 0; i < 400 && met == 0; i++) {
            result = ask(&r, 7, 300, 20);
            assert_int_equal(result.fault, FAULT_NONE);
            assert_int_equal(r.registers[0], fake_register(7, 300));
            met += result.late;
            clock_sleep_until_us(clock_mono_us() + 1000);
        }
        assert_int_equal(met, 1);
        rig_down(&r);
    }
}

static void a_late_answer_right_before_the_next_is_passed_over_on_tcp(void **state)
{
    (void)state;
    struct rig r;
    static const int acts[] = {FAKE_WITH_NEXT, FAKE_GOOD};
    rig_up(&r, true, 100);
    fake_meter_script(r.fake, -1, acts, 2);
    assert_int_equal(ask(&r, 7, 100, 20).fault, FAULT_TIMEOUT);
    struct link_result result = ask(&r, 7, 200, 20);
    assert_int_equal(result.fault, FAULT_NONE);
    assert_int_equal(result.late, 1);
    assert_int_equal(r.registers[0], fake_register(7, 200));
    rig_down(&r);
}

static void a_late_answer_of_another_unit_is_told_by_its_unit(void **state)
{
    (void)state;
    struct rig r;
    static const int acts[] = {FAKE_WITH_NEXT};
    rig_up(&r, false, 100);
    fake_meter_script(r.fake, 7, acts, 1);
    assert_int_equal(ask(&r, 7, 100, 20).fault, FAULT_TIMEOUT);
    struct link_result result = ask(&r, 8, 100, 20); /* 7's answer comes first */
    assert_int_equal(result.fault, FAULT_NONE);
    assert_int_equal(result.late, 1);
    assert_int_equal(r.registers[0], fake_register(8, 100));
    assert_int_equal(link_owed_until_us(r.link, 7), 0);
    rig_down(&r);
}

static void a_unit_that_owes_an_answer_holds_up_nobody_else(void **state)
{
    (void)state;
    struct rig r;
    static const int acts[] = {FAKE_SILENT};
    rig_up(&r, false, 1500);
    fake_meter_script(r.fake, 7, acts, 1);
    struct link_read q = {7, 3, 0, 5};
    assert_good(&r, 8, 0, 5);
    assert_int_equal(link_read(r.link, &q, clock_mono_us() + 20000, r.registers).fault,
                     FAULT_TIMEOUT);
    int64_t owed = link_owed_until_us(r.link, 7);
    assert_true(owed > clock_mono_us());
    assert_good(&r, 8, 0, 5);
    assert_true(link_owed_until_us(r.link, 7) == owed); /* 8 was read while 7 still owed */
    rig_down(&r);
}

static void nothing_lasts_beyond_the_time_given(void **state)
{
    (void)state;
    for (int tcp = 0; tcp < 2; tcp++) {
        struct rig r;
        struct link_read q = {7, 3, 0, 5};
        static const int acts[] = {FAKE_SILENT, FAKE_SHORT};
        rig_up(&r, tcp, 60000); /* the bus's own timeout would run into the test's */
        assert_good(&r, 7, 0, 5);
        fake_meter_script(r.fake, -1, acts, 2);
        for (int i = 0; i < 2; i++)
            assert_true(link_read(r.link, &q, clock_mono_us() + 50000, r.registers).fault !=
                        FAULT_NONE);
        rig_down(&r);
    }
}

static void it_reads_over_a_real_connection_and_a_real_line(void **state)
{
    (void)state;
    for (int tcp = 0; tcp < 2; tcp++) {
        static const int acts[] = {FAKE_EXCEPTION + 2};
        struct rig r;
        rig_live(&r, tcp);
        for (int i = 0; i < 3; i++)
            assert_good(&r, 7, 100 * i, 125);
        fake_meter_script(r.fake, -1, acts, 1);
        assert_int_equal(ask(&r, 7, 0, 5).fault, FAULT_EXCEPTION);
        assert_good(&r, 8, 0, 1);
        rig_down(&r);
    }
}

static void what_cannot_be_opened_says_why(void **state)
{
    (void)state;
    struct rig r;
    char why[128] = "";
    rig_live(&r, true);
    fake_meter_stop(r.fake); /* nobody listens there now */
    assert_false(link_open(r.link, clock_mono_us() + 60000000, why, sizeof why));
    assert_string_equal(why, "Connection refused");
    link_destroy(r.link);
    snprintf(r.bus.device, sizeof r.bus.device, "/dev/no-such-line");
    r.link = link_create(&r.bus, -1);
    assert_false(link_open(r.link, clock_mono_us() + 60000000, why, sizeof why));
    assert_string_equal(why, "No such file or directory");
    assert_false(link_is_open(r.link));
    struct link_read q = {7, 3, 0, 5};
    assert_int_equal(link_read(r.link, &q, clock_mono_us() + 1000, r.registers).fault,
                     FAULT_CONNECTION);
    link_destroy(r.link);
}

static void a_driver_without_an_rs485_mode_is_told_of(void **state)
{
    struct rig r;
    char why[128] = "";
    (void)state;
    rig_live(&r, false); /* a pseudo-terminal has none */
    r.bus.rs485 = SITE_RS485_KERNEL;
    assert_false(link_open(r.link, clock_mono_us() + 60000000, why, sizeof why));
    assert_non_null(strstr(why, "its driver has no RS-485 mode"));
    r.bus.rs485 = SITE_RS485_ADAPTER;
    assert_good(&r, 7, 0, 5);
    rig_down(&r);
}

static void the_latency_timer_of_an_adapter_is_read(void **state)
{
    char sys[] = "/tmp/test_link.XXXXXX", path[160], device[160];
    (void)state;
    assert_non_null(mkdtemp(sys));
    snprintf(device, sizeof device, "%s/ttyUSB7", sys);
    assert_int_equal(connect_latency_ms(sys, device), -1); /* no such device */
    fclose(fopen(device, "w"));
    assert_int_equal(connect_latency_ms(sys, device), -1); /* no such timer */
    const char *const folders[] = {"class", "class/tty", "class/tty/ttyUSB7",
                                   "class/tty/ttyUSB7/device"};
    for (int i = 0; i < 4; i++) {
        snprintf(path, sizeof path, "%s/%s", sys, folders[i]);
        assert_int_equal(mkdir(path, 0700), 0);
    }
    snprintf(path, sizeof path, "%s/class/tty/ttyUSB7/device/latency_timer", sys);
    FILE *f = fopen(path, "w");
    fputs("16\n", f);
    fclose(f);
    assert_int_equal(connect_latency_ms(sys, device), 16);
    remove(path);
    remove(device);
    for (int i = 3; i >= 0; i--) {
        snprintf(path, sizeof path, "%s/%s", sys, folders[i]);
        rmdir(path);
    }
    rmdir(sys);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_tests_own_check_sum_is_the_published_one),
        cmocka_unit_test(requests_are_the_published_bytes),
        cmocka_unit_test(answers_are_parsed_or_judged_by_kind),
        cmocka_unit_test(each_bad_manner_has_its_own_kind_and_the_next_read_is_good),
        cmocka_unit_test(bytes_behind_an_answer_are_not_taken_for_the_next),
        cmocka_unit_test(a_meter_that_loses_its_manners_late_costs_one_try),
        cmocka_unit_test(a_late_answer_is_never_the_answer_to_the_next_request),
        cmocka_unit_test(a_late_answer_right_before_the_next_is_passed_over_on_tcp),
        cmocka_unit_test(a_late_answer_of_another_unit_is_told_by_its_unit),
        cmocka_unit_test(a_unit_that_owes_an_answer_holds_up_nobody_else),
        cmocka_unit_test(nothing_lasts_beyond_the_time_given),
        cmocka_unit_test(it_reads_over_a_real_connection_and_a_real_line),
        cmocka_unit_test(what_cannot_be_opened_says_why),
        cmocka_unit_test(a_driver_without_an_rs485_mode_is_told_of),
        cmocka_unit_test(the_latency_timer_of_an_adapter_is_read),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
