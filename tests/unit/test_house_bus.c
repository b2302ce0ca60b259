/* the simulated meters' end of a bus: registers, frames, mischief, the server's loop */
#include "check.h"

#include "base/clock.h"
#include "drivers/decode.h"
#include "drivers/simulated/encode.h"
#include "drivers/simulated/house_file.h"
#include "drivers/simulated/house_station.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <unistd.h>

/* ---- encoding: vectors worked out by hand ---- */

static void values_become_the_words_worked_out_by_hand(void **state)
{
    static const struct {
        enum meter_type type;
        enum meter_order order;
        double scale, value;
        uint16_t words[4];
    } rows[] = {
        /* 12.34 A in hundredths: 1234 = 0x04D2 */
        {METER_U16, METER_ABCD, 0.01, 12.34, {0x04D2}},
        {METER_U16, METER_CDAB, 0.01, 12.34, {0x04D2}},
        {METER_U16, METER_BADC, 0.01, 12.34, {0xD204}},
        {METER_U16, METER_DCBA, 0.01, 12.34, {0xD204}},
        {METER_S16, METER_ABCD, 1.0, -2.0, {0xFFFE}},
        /* 305419896 = 0x12345678 */
        {METER_U32, METER_ABCD, 1.0, 305419896.0, {0x1234, 0x5678}},
        {METER_U32, METER_CDAB, 1.0, 305419896.0, {0x5678, 0x1234}},
        {METER_U32, METER_BADC, 1.0, 305419896.0, {0x3412, 0x7856}},
        {METER_U32, METER_DCBA, 1.0, 305419896.0, {0x7856, 0x3412}},
        {METER_S32, METER_ABCD, 0.1, -1.5, {0xFFFF, 0xFFF1}},
        /* 0x0001_0203_0405_0600 = 283686952306176, exact in a double */
        {METER_U64, METER_ABCD, 1.0, 283686952306176.0, {0x0001, 0x0203, 0x0405, 0x0600}},
        {METER_U64, METER_CDAB, 1.0, 283686952306176.0, {0x0600, 0x0405, 0x0203, 0x0001}},
        {METER_U64, METER_BADC, 1.0, 283686952306176.0, {0x0100, 0x0302, 0x0504, 0x0006}},
        {METER_U64, METER_DCBA, 1.0, 283686952306176.0, {0x0006, 0x0504, 0x0302, 0x0100}},
        {METER_S64, METER_ABCD, 1.0, -1.0, {0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF}},
        /* IEEE 754: 1.5 = 0x3FC00000, -0.15625 = 0xBE200000 */
        {METER_F32, METER_ABCD, 1.0, 1.5, {0x3FC0, 0x0000}},
        {METER_F32, METER_CDAB, 1.0, 1.5, {0x0000, 0x3FC0}},
        {METER_F32, METER_BADC, 1.0, -0.15625, {0x20BE, 0x0000}},
        /* clamped to the type */
        {METER_U16, METER_ABCD, 0.01, 700.0, {0xFFFF}},
        {METER_U16, METER_ABCD, 0.01, -0.4, {0x0000}},
        {METER_S16, METER_ABCD, 1.0, 40000.0, {0x7FFF}},
        {METER_S16, METER_ABCD, 1.0, -40000.0, {0x8000}},
        {METER_S32, METER_ABCD, 0.001, 1e9, {0x7FFF, 0xFFFF}},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct meter_point p = {.type = rows[i].type,
                                .order = rows[i].order,
                                .scale = rows[i].scale,
                                .scale_register = -1};
        uint16_t words[ENCODE_MAX_WORDS] = {0};
        int n = encode_value(&p, 0, rows[i].value, words);
        assert_int_equal(n, meter_type_registers(rows[i].type));
        for (int k = 0; k < n; k++)
            if (words[k] != rows[i].words[k])
                fail_msg("row %zu word %d is %04X, wanted %04X", i, k, words[k],
                         rows[i].words[k]);
    }
}

static void what_is_not_measured_is_the_maps_word(void **state)
{
    struct meter_point p = {.type = METER_U32,
                            .order = METER_CDAB,
                            .scale = 0.1,
                            .scale_register = -1,
                            .has_absent = true,
                            .absent = 0xFFFFFFFE};
    uint16_t words[ENCODE_MAX_WORDS];
    (void)state;
    encode_value(&p, 0, (double)NAN, words);
    assert_int_equal(words[0], 0xFFFE);
    assert_int_equal(words[1], 0xFFFF);
    p.has_absent = false;
    encode_value(&p, 0, (double)NAN, words);
    assert_int_equal(words[0] | words[1], 0);
}

/* the driver's decoding is another's work: what goes out must come in again */
static void the_driver_reads_back_what_is_encoded(void **state)
{
    struct chance c = chance_seed(5, "encode");
    (void)state;
    for (int i = 0; i < 20000; i++) {
        struct meter_point p = {
            .quantity = FRAME_WATTS,
            .type = (enum meter_type)chance_between(&c, 0, 6.999),
            .order = (enum meter_order)chance_between(&c, 0, 3.999),
            .scale = i % 3 == 0 ? 1.0 : 0.01,
            .scale_register = i % 5 == 0 ? 9 : -1,
        };
        int exponent = i % 5 == 0 ? (int)chance_between(&c, -3, 2.999) : 0;
        double step = p.scale * pow(10.0, exponent),
               value = chance_between(&c, 0.0, 30000.0) * step;
        uint16_t words[ENCODE_MAX_WORDS];
        encode_value(&p, exponent, value, words);
        double back = decode_value(&p, words, (int16_t)exponent);
        assert_near(back, value, p.type == METER_F32 ? 1e-6 * value : 0.5001 * step);
    }
}

/* ---- frames: those of the specifications, references 07, 7.3 and 7.4 ---- */

static bool example_registers(void *context, int function, int address, int count,
                              uint16_t *out)
{
    static const uint16_t words[] = {555, 0, 100}; /* APP 6.3's own example */
    (void)context;
    (void)function;
    if (address < 0x6B || address + count > 0x6B + 3)
        return false;
    memcpy(out, &words[address - 0x6B], (size_t)count * sizeof out[0]);
    return true;
}

static void the_crc_is_that_of_the_catalogue(void **state)
{
    (void)state;
    assert_int_equal(pdu_crc((const uint8_t *)"123456789", 9), 0x4B37);
    assert_int_equal(pdu_crc((const uint8_t *)"\x02\x07", 2), 0x1241); /* SER 6.2.2 */
}

static void serial_requests_get_the_specifications_answers(void **state)
{
    static const struct {
        const char *request;
        size_t request_length;
        const char *reply;
        size_t reply_length;
    } rows[] = {
        {"\x11\x03\x00\x6B\x00\x03\x76\x87", 8, "\x11\x03\x06\x02\x2B\x00\x00\x00\x64\xC8\xBA",
         11},
        {"\x11\x03\x00\x6B\x00\x04\x37\x45", 8, "\x11\x83\x02\xC1\x34", 5},
    };
    (void)state;
    for (size_t i = 0; i < 2; i++) {
        struct pdu_request q;
        uint8_t pdu[PDU_MAX], frame[PDU_MAX_FRAME];
        assert_int_equal(
            pdu_parse_rtu((const uint8_t *)rows[i].request, rows[i].request_length, false, &q),
            PDU_WHOLE);
        assert_int_equal(q.unit, 0x11);
        size_t n = pdu_answer(example_registers, NULL, q.pdu, q.pdu_length, pdu);
        n = pdu_frame_rtu(q.unit, pdu, n, frame);
        assert_int_equal(n, rows[i].reply_length);
        assert_memory_equal(frame, rows[i].reply, n);
    }
}

static void a_serial_frame_may_come_in_pieces_but_not_damaged(void **state)
{
    uint8_t bytes[] = {0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87};
    struct pdu_request q;
    (void)state;
    for (size_t n = 1; n < 8; n++) {
        assert_int_equal(pdu_parse_rtu(bytes, n, false, &q), PDU_MORE);
        assert_int_equal(pdu_parse_rtu(bytes, n, true, &q), PDU_GARBAGE);
    }
    bytes[3] ^= 1;
    assert_int_equal(pdu_parse_rtu(bytes, 8, true, &q), PDU_GARBAGE);
}

static void what_is_no_read_is_refused(void **state)
{
    static const struct {
        const char *pdu;
        size_t length;
        uint8_t function, code;
    } rows[] = {
        {"\x06\x00\x01\x00\x03", 5, 0x86, 1}, /* a write */
        {"\x10\x00\x01\x00\x01\x02\x00\x00", 8, 0x90, 1},
        {"\x03\x00\x6B\x00\x00", 5, 0x83, 3}, /* none, and more than 125 */
        {"\x03\x00\x6B\x00\x7E", 5, 0x83, 3},
        {"\x04\x00\x6B\x00", 4, 0x84, 3}, /* cut off */
        {"\x04\xFF\xFF\x00\x02", 5, 0x84, 2},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        uint8_t pdu[PDU_MAX];
        size_t n = pdu_answer(example_registers, NULL, (const uint8_t *)rows[i].pdu,
                              rows[i].length, pdu);
        assert_int_equal(n, 2);
        assert_int_equal(pdu[0], rows[i].function);
        assert_int_equal(pdu[1], rows[i].code);
    }
}

static void a_tcp_frame_is_taken_whole_or_refused(void **state)
{
    uint8_t bytes[] = {0x12, 0x34, 0, 0, 0, 6, 1, 3, 0, 0, 0, 2, 0x12};
    struct pdu_request q;
    (void)state;
    for (size_t n = 0; n < 12; n++)
        assert_int_equal(pdu_parse_tcp(bytes, n, &q), PDU_MORE);
    assert_int_equal(pdu_parse_tcp(bytes, 13, &q), PDU_WHOLE);
    assert_int_equal(q.transaction, 0x1234);
    assert_int_equal(q.unit, 1);
    assert_int_equal(q.pdu_length, 5);
    assert_int_equal(q.taken, 12);
    bytes[3] = 1; /* no such protocol */
    assert_int_equal(pdu_parse_tcp(bytes, 12, &q), PDU_GARBAGE);
    bytes[3] = 0;
    bytes[4] = 1; /* 262 bytes to follow */
    assert_int_equal(pdu_parse_tcp(bytes, 12, &q), PDU_GARBAGE);
}

/* ---- mischief ---- */

static void two_meters(struct site *s)
{
    site_init(s);
    struct site_bus *b = site_add_bus(s);
    strcpy(b->id, "lan");
    strcpy(b->host, "127.0.0.1");
    for (int i = 0; i < 2; i++) {
        struct site_meter *m = site_add_meter(s);
        snprintf(m->id, sizeof m->id, "m%d", i + 1);
        strcpy(m->map, "map");
        m->bus = 0;
        m->unit = i + 1;
        m->panel = 0;
    }
    struct site_panel *p = site_add_panel(s);
    strcpy(p->id, "main");
    p->legs = 2;
    struct site_circuit *c = site_add_circuit(s);
    strcpy(c->id, "main-01");
    c->panel = 0;
    c->breaker_amps = 20;
    c->meter = 0;
    c->channels[0] = 2;
    c->ct_ratio = 2.0;
    c->ct_reversed = true;
    site_finish(s);
}

static void mischief_strikes_the_share_it_was_asked_for(void **state)
{
    struct site s;
    struct mischief m[2] = {0};
    struct text why = TEXT_INIT;
    struct chance c = chance_seed(1, "m");
    int seen[MISCHIEF_KINDS] = {0};
    (void)state;
    two_meters(&s);
    assert_true(mischief_parse("m2:silence=0.1,delay=0.2/250,exception=0.05/4,dead=100/20", &s,
                               m, &why));
    assert_int_equal(m[1].exception, 4);
    assert_near(m[1].delay_ms, 250, 0);
    for (int i = 0; i < 10000; i++) {
        assert_int_equal(mischief_draw(&m[0], &c, 110.0), MISCHIEF_NONE);
        seen[mischief_draw(&m[1], &c, 99.0)]++;
    }
    assert_near(seen[MISCHIEF_SILENCE], 1000, 150);
    assert_near(seen[MISCHIEF_DELAY], 2000, 200);
    assert_near(seen[MISCHIEF_EXCEPTION], 500, 100);
    assert_int_equal(seen[MISCHIEF_CORRUPT], 0);
    for (int i = 0; i < 100; i++)
        assert_int_equal(mischief_draw(&m[1], &c, 119.0), MISCHIEF_SILENCE);
    site_free(&s);
}

static void a_wrong_request_for_mischief_gets_a_sentence(void **state)
{
    static const char *const wrong[] = {"m1",         "m3:silence=1", "m1:silence",
                                        "m1:quiet=1", "m1:silence=2", "m1:silence=x",
                                        "m1:dead=5",  "*:delay=0.1/", "m1:silence=0.1;;"};
    struct site s;
    (void)state;
    two_meters(&s);
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        struct mischief m[2] = {0};
        struct text why = TEXT_INIT;
        if (mischief_parse(wrong[i], &s, m, &why))
            fail_msg("\"%s\" was taken", wrong[i]);
        assert_true(why.length > 10);
        text_free(&why);
    }
    site_free(&s);
}

/* ---- a meter, and the station behind a real socket ---- */

static struct meter_map small_map(void)
{
    struct meter_map m = {.id = "map", .max_registers = 125, .point_count = 3};
    m.points[0] = (struct meter_point){FRAME_AMPS, METER_U16, METER_ABCD, 3,  10,   2,
                                       1,          3,         0.01,       -1, true, 0xFFFF};
    m.points[1] = (struct meter_point){FRAME_WATTS, METER_S32, METER_CDAB, 3,  20,    2,
                                       1,           3,         1.0,        30, false, 0};
    m.points[2] = (struct meter_point){
        FRAME_PANEL_VOLTS, METER_U16, METER_ABCD, 4, 0, 1, 1, 2, 0.1, -1, false, 0};
    return m;
}

struct scene {
    struct site site;
    struct meter_map map;
    struct meter_map_set maps;
    struct house_spec spec;
    struct house *house;
};

static void set_scene(struct scene *s)
{
    struct text faults = TEXT_INIT;
    two_meters(&s->site);
    s->map = small_map();
    s->maps = (struct meter_map_set){&s->map, 1};
    assert_true(
        house_file_parse(&s->spec, "t",
                         "house = { warm_up_minutes = 1.0; }; loads = ( { id = \"heater\"; "
                         "circuit = \"main-01\"; watts = 1200.0; always = true; } );",
                         &s->site, &faults));
    s->house = house_create(&s->site, &s->spec, 1, 0.0, NULL, NULL);
    assert_non_null(s->house);
    house_advance(s->house, 5000);
}

static void leave(struct scene *s)
{
    house_destroy(s->house);
    house_spec_free(&s->spec);
    site_free(&s->site);
}

static void a_meter_shows_the_house_through_its_transformer(void **state)
{
    struct scene s;
    struct house_meter m;
    uint16_t words[125];
    (void)state;
    set_scene(&s);
    assert_true(house_meter_init(&m, &s.site, 0, &s.map, 1));
    house_meter_fill(&m, s.house);
    assert_true(house_meter_read(&m, 3, 10, 21, words));
    struct house_pole p = house_read_pole(s.house, 0);
    assert_int_equal(words[0], 0xFFFF);                         /* channel 1: nothing there */
    assert_near(words[2] * 0.01 * 2.0, p.amps, 0.008 * p.amps); /* ratio 2 */
    assert_int_equal(words[1], 0);                              /* between the channels */
    int32_t raw = (int32_t)((uint32_t)words[13] << 16 | words[12]); /* CDAB */
    double watts = raw * pow(10.0, (int16_t)words[20]);
    assert_near(watts, -p.watts / 2.0, 0.008 * p.watts); /* facing the other way */
    assert_true(house_meter_read(&m, 4, 0, 2, words));
    assert_near(words[0] * 0.1, house_read_volts(s.house, 0, 0), 0.8);
    assert_false(house_meter_read(&m, 3, 9, 1, words));
    assert_false(house_meter_read(&m, 3, 30, 2, words));
    assert_false(house_meter_read(&m, 4, 2, 1, words));
    house_meter_free(&m);
    leave(&s);
}

static int connect_to(int port)
{
    int fd = socket(AF_INET, SOCK_STREAM, 0);
    struct sockaddr_in a = {.sin_family = AF_INET, .sin_port = htons((uint16_t)port)};
    a.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    assert_int_equal(connect(fd, (struct sockaddr *)&a, sizeof a), 0);
    assert_int_equal(fcntl(fd, F_SETFL, O_NONBLOCK), 0);
    return fd;
}

/* serves until `length` bytes came or the end of the connection; how many bytes, -1: closed */
static ssize_t receive(struct server *server, int fd, uint8_t *out, size_t length)
{
    size_t got = 0;
    int64_t deadline = clock_mono_us() + 60000000;
    while (got < length && clock_mono_us() < deadline) {
        server_turn(server, clock_mono_us() + 1000);
        ssize_t n = read(fd, out + got, length - got);
        if (n == 0 || (n < 0 && errno == ECONNRESET))
            return -1;
        got += n > 0 ? (size_t)n : 0;
    }
    return (ssize_t)got;
}

static void several_clients_are_served_and_a_unit_that_is_not_there_says_so(void **state)
{
    static const uint8_t volts[] = {0, 1, 0, 0, 0, 6, 1, 4, 0, 0, 0, 2};
    static const uint8_t nobody[] = {0, 2, 0, 0, 0, 6, 9, 4, 0, 0, 0, 2};
    struct scene s;
    struct text why = TEXT_INIT;
    uint8_t reply[64];
    (void)state;
    set_scene(&s);
    struct house_station *station =
        house_station_create(&s.site, &s.maps, s.house, NULL, 1.0, 1);
    struct server *server = server_create(house_station_answer, station);
    int port = server_listen(server, 0, "127.0.0.1", 0, &why);
    assert_true(port > 0);
    int one = connect_to(port), two = connect_to(port);
    assert_int_equal(write(one, volts, 5), 5); /* a request in pieces */
    server_turn(server, clock_mono_us() + 20000);
    assert_int_equal(write(two, nobody, 12), 12);
    assert_int_equal(receive(server, two, reply, 9), 9);
    assert_memory_equal(reply, "\x00\x02\x00\x00\x00\x03\x09\x84\x0B", 9);
    assert_int_equal(write(one, volts + 5, 7), 7);
    assert_int_equal(receive(server, one, reply, 13), 13);
    assert_memory_equal(reply, "\x00\x01\x00\x00\x00\x07\x01\x04\x04", 9);
    assert_near((reply[9] << 8 | reply[10]) * 0.1, 121.5, 3.0);
    assert_int_equal(write(two, "\0\0\xFF\xFF\0\6garbage", 13), 13);
    assert_int_equal(receive(server, two, reply, 1), -1); /* cut off: not to be trusted */
    assert_int_equal(write(one, volts, 12), 12);
    assert_int_equal(receive(server, one, reply, 13), 13);
    close(one);
    close(two);
    server_destroy(server);
    house_station_destroy(station);
    leave(&s);
}

static void a_serial_line_is_a_path_that_answers(void **state)
{
    struct scene s;
    struct text why = TEXT_INIT;
    uint8_t pdu[] = {4, 0, 0, 0, 2}, frame[PDU_MAX_FRAME], reply[64];
    char link[] = "/tmp/foretrip-line-XXXXXX";
    (void)state;
    set_scene(&s);
    strcpy(s.site.buses[0].host, "");
    struct house_station *station =
        house_station_create(&s.site, &s.maps, s.house, NULL, 1.0, 1);
    struct server *server = server_create(house_station_answer, station);
    int taken = mkstemp(link);
    close(taken);
    assert_true(server_open_line(server, 0, link, 0, &why));
    int fd = open(link, O_RDWR | O_NOCTTY | O_NONBLOCK);
    assert_true(fd >= 0);
    size_t n = pdu_frame_rtu(9, pdu, 5, frame); /* not there: silence, and no harm done */
    assert_int_equal(write(fd, frame, n), (ssize_t)n);
    server_turn(server, clock_mono_us() + 20000);
    n = pdu_frame_rtu(1, pdu, 5, frame);
    assert_int_equal(write(fd, frame, n), (ssize_t)n);
    assert_int_equal(receive(server, fd, reply, 9), 9);
    assert_int_equal(pdu_crc(reply, 7), reply[7] | reply[8] << 8);
    assert_near((reply[3] << 8 | reply[4]) * 0.1, 121.5, 3.0);
    close(fd);
    server_destroy(server);
    assert_int_equal(access(link, F_OK), -1); /* it takes its link away */
    house_station_destroy(station);
    leave(&s);
}

static void bad_manners_reach_the_wire(void **state)
{
    static const uint8_t volts[] = {0, 1, 0, 0, 0, 6, 1, 4, 0, 0, 0, 2};
    static const struct {
        const char *spec;
        ssize_t arrive; /* bytes, -1: closed */
        int position, value;
    } rows[] = {{"m1:unit=1", 13, 6, 2},       {"m1:corrupt=1", 13, 5, 3},
                {"m1:short=1", 6, 5, 7},       {"m1:close=1", -1, 0, 0},
                {"m1:exception=1/4", 9, 8, 4}, {"m1:silence=1", 0, 0, 0},
                {"m2:silence=1", 13, 5, 7}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct scene s;
        struct mischief m[2] = {0};
        struct text why = TEXT_INIT;
        uint8_t reply[64];
        set_scene(&s);
        assert_true(mischief_parse(rows[i].spec, &s.site, m, &why));
        struct house_station *station =
            house_station_create(&s.site, &s.maps, s.house, m, 1.0, 1);
        struct server *server = server_create(house_station_answer, station);
        int fd = connect_to(server_listen(server, 0, "127.0.0.1", 0, &why));
        assert_int_equal(write(fd, volts, 12), 12);
        if (rows[i].arrive == 0) {
            for (int turn = 0; turn < 20; turn++)
                server_turn(server, clock_mono_us() + 1000);
            assert_int_equal(read(fd, reply, sizeof reply), -1);
        } else {
            ssize_t want = rows[i].arrive > 0 ? rows[i].arrive : 1;
            assert_int_equal(receive(server, fd, reply, (size_t)want), rows[i].arrive);
            if (rows[i].arrive > 0)
                assert_int_equal(reply[rows[i].position], rows[i].value);
        }
        close(fd);
        server_destroy(server);
        house_station_destroy(station);
        leave(&s);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(values_become_the_words_worked_out_by_hand),
        cmocka_unit_test(what_is_not_measured_is_the_maps_word),
        cmocka_unit_test(the_driver_reads_back_what_is_encoded),
        cmocka_unit_test(the_crc_is_that_of_the_catalogue),
        cmocka_unit_test(serial_requests_get_the_specifications_answers),
        cmocka_unit_test(a_serial_frame_may_come_in_pieces_but_not_damaged),
        cmocka_unit_test(what_is_no_read_is_refused),
        cmocka_unit_test(a_tcp_frame_is_taken_whole_or_refused),
        cmocka_unit_test(mischief_strikes_the_share_it_was_asked_for),
        cmocka_unit_test(a_wrong_request_for_mischief_gets_a_sentence),
        cmocka_unit_test(a_meter_shows_the_house_through_its_transformer),
        cmocka_unit_test(several_clients_are_served_and_a_unit_that_is_not_there_says_so),
        cmocka_unit_test(a_serial_line_is_a_path_that_answers),
        cmocka_unit_test(bad_manners_reach_the_wire),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
