/* loads: what earlier programs had saved is read: what was learned, and the names people gave
 */
#include "loads_rig.h"

#include <ctype.h>
#include <stdlib.h>

/*
 * Written by loads_save of the programs of their time, for the rig's first circuit: 60 s of 0.2
 * A; four times 7.2 A for 200 s, 0.2 A for 600 s, 1.4 A for 900 s, 0.2 A for 300 s; the load of
 * 7 A was named "Laminator" and came on again 100 s before. Bytes as hexadecimal digits, zN.
 * for N of them that are zero.
 */
static const char version_4[] =
    "44414f4c5522000004000000e01fz6.a0927cz5.182757779b010000ffffffffffffff7f43524943292200"
    "00070000006d61696e2d30316666e640z4.ec51383d01z4.e80f7bz5.60a455779b0100006666e6406666"
    "e6406666e6406666e6406666e6406666e6406666e6406666e640z100.e8030000d0070000b80b0000a00f"
    "00008813000070170000581bz98.08178a264a470600e80f7bz5.60a455779b010000e80f7bz5.e80f7bz23."
    "e0400000e040z6.e040z6.e040z4.01z28.402d4400989745a0927cz11.b842z5.01z28.090000004c616d"
    "696e61746f72a4707d3f0001z2340.c0cc4c3ez24.0786373de80f7bz5.402b7bz5.7d158a3f1250cb4009"
    "z23.9999993f087c76z5.078b03df4947060001000000090000004c616d696e61746f728cc51f40b8e57f"
    "406092db769b010000e01f37779b0100009513f93fz4.d18ba940z12.2440f340b4b5a8bbz4.9a99993e00"
    "00803fz10.af45z7.4000000040z88.9513f93fd18ba9409206403f00008040z32.02z7.8cc51f40b8e57f"
    "4060c7e7769b010000e05443779b0100007db23a3ez4.38add940z12.2440f340b4b5a8bbz4.8988883d00"
    "00803fz8.02008745z7.4000000040z88.7db23a3e38add9409206403f00008040z5224.02000000cdcc4c"
    "3ecdcc4c3ecdcc4c3ez84.02z7.0300000001d0afda769b01z7.e01fz15.";

static const char version_5[] =
    "44414f4c6825000005000000e01fz6.a0927cz5.182757779b010000ffffffffffffff7f435249433c2500"
    "00070000006d61696e2d30316666e640z4.ec51383d01z4.e80f7bz5.60a455779b0100006666e6406666"
    "e6406666e6406666e6406666e6406666e6406666e6406666e640z100.e8030000d0070000b80b0000a00f"
    "00008813000070170000581bz98.08178a264a470600e80f7bz5.60a455779b010000e80f7bz5.e80f7bz23."
    "e0400000e040z6.e040z10.e040z4.01z28.402d4400989745a0927cz11.b842z5.01z12.01z17.090000"
    "004c616d696e61746f72a4707d3f0001z2418.c0cc4c3ez29.0786373de80f7bz5.402b7bz5.7d158a3f12"
    "50cb4009z23.9999993f087c76z5.078b03df49470600cdcc4c3ee80f7bz121.6666e640a8985fz5.0683"
    "54af494706z105.010000003333b33f087c76z5.078b03df494706z105.0100000001000000090000004c"
    "616d696e61746f728cc51f40b8e57f406092db769b010000e01f37779b0100009513f93fz4.d18ba940z12."
    "2440f340b4b5a8bbz10.803fz10.af45z7.4000000040z88.9513f93fd18ba9409206403f000040400000"
    "8040z40.02z7.8cc51f40b8e57f4060c7e7769b010000e05443779b0100007db23a3ez4.38add940z12.24"
    "40f340b4b5a8bbz4.8988883d0000803fz8.02008745z7.4000000040z88.7db23a3e38add9409206403f"
    "0000404000008040z5496.02000000cdcc4c3ecdcc4c3ecdcc4c3ez84.02z7.0300000001d0afda769b01"
    "z7.e01fz6.e8fdz6.e80f7bz5.030000000900000001z10.";

static const char version_8[] =
    "44414f4c964e000008000000e01fz6.a0927cz5.182757779b010000ffffffffffffff7f435249433a2700"
    "00070000006d61696e2d30316666e640z4.ec51383d01z4.e80f7bz5.60a455779b0100006666e6406666"
    "e6406666e6406666e6406666e6406666e6406666e6406666e640z100.e8030000d0070000b80b0000a00f"
    "00008813000070170000581bz98.08178a264a470600e80f7bz5.60a455779b010000e80f7bz5.e80f7b"
    "z23.e0400000e040z6.e040z10.e040z4.01z28.402d4400989745a0927cz11.b842z6.01z12.01z17.09"
    "0000004c616d696e61746f72a4707d3f0001z2431.c0cc4c3ez33.0786373de80f7bz5.402b7bz5.7d158a"
    "3f1250cb4009z23.9999993f087c76z5.078b03df49470600cdcc4c3ee80f7bz121.6666e640a8985fz5."
    "068354af494706z105.010000003333b33f087c76z5.078b03df494706z105.0100000001000000090000"
    "004c616d696e61746f728cc51f40b8e57f406092db769b010000e01f37779b0100009513f93fz4.d18ba9"
    "40z12.2440f340b4b5a8bbz10.803fz10.af45z7.4000000040z88.9513f93fd18ba9409206403f000040"
    "4000008040z44.02z7.8cc51f40b8e57f4060c7e7769b010000e05443779b0100007db23a3ez4.38add940"
    "z12.2440f340b4b5a8bbz4.8988883d0000803fz8.02008745z7.4000000040z88.7db23a3e38add94092"
    "06403f0000404000008040z5588.02000000cdcc4c3ecdcc4c3ecdcc4c3ez84.02z7.0300000001d0afda"
    "769b01z7.e01fz6.e8fdz6.e80f7bz5.030000000900000001z9.6666e640a0927cz6.e8fe45z65.a06445"
    "z30.6145z29.c06044z60.50e32b4a0074824600000041fe7f894500000041z4.ff410b4add54664b96cf"
    "c14c00000041fa1150427339ac430000004159184242645d9543fe7f8945f0bde046101439480000e04043"
    "554042ed47a543ff410b4aa07d3047b4ad5f44ff410b4az8.ff410b4az8.ff410b4a925320cb2995384cff"
    "410b4ac5e5b6ca755b764bff410b4az24.e05443779b01z11.4352494328270000070000006d61696e2d30"
    "32z8.ec51383d01z4.8813z7.a8da769b01z134.e8030000d007z9377.02z7.0300000001d0afda769b01"
    "z7.e01fz44.a0927cz6.e8fe4500e8fe45z377.";

static const char version_10[] =
    "44414f4c8c5000000az3.e01fz6.a0927cz5.182757779b010000ffffffffffffff7f435249433528000007"
    "z3.6d61696e2d30316666e640z4.ec51383d01z4.e80f7bz5.60a455779b0100006666e6406666e6406666e6"
    "406666e6406666e6406666e6406666e6406666e640z100.e8030000d0070000b80b0000a00f000088130000"
    "70170000581bz98.08178a264a470600e80f7bz5.60a455779b010000e80f7bz5.e80f7bz23.e0400000e040"
    "z6.e040z10.e040z4.01z28.402d4400989745a0927cz11.b842z6.01z12.01z17.09z3.4c616d696e61746f"
    "72a4707d3f0001z2431.c0cc4c3ez61.0786373de80f7bz5.402b7bz5.7d158a3f1250cb4009z23.9999993f"
    "087c76z5.078b03df49470600cdcc4c3ee80f7bz178.6666e640a8985fz5.068354af494706z107.e040z52."
    "0101z3.3333b33f087c76z5.078b03df494706z105.9999993fz52.0101z3.01z3.09z3.4c616d696e61746f"
    "728cc51f40b8e57f406092db769b010000e01f37779b0100009513f93fz4.d18ba940z12.2440f340b4b5a8"
    "bbz10.803fz10.af45z7.40z3.40z88.9513f93fd18ba9409206403f0000404000008040z44.02z7.8cc51f"
    "40b8e57f4060c7e7769b010000e05443779b0100007db23a3ez4.38add940z12.2440f340b4b5a8bbz4.8988"
    "883d0000803fz8.02008745z7.40z3.40z88.7db23a3e38add9409206403f0000404000008040z5588.02z3."
    "cdcc4c3ecdcc4c3ecdcc4c3ez84.02z7.03z3.01d0afda769b01z7.e01fz6.e8fdz6.e80f7bz5.03z3.09z3."
    "01z9.6666e640a0927cz6.e8fe45z65.a06445z30.6145z29.c06044z60.50e32b4a00748246z3.41fe7f89"
    "45z3.41z4.ff410b4add54664b96cfc14cz3.41fa1150427339ac43z3.4159184242645d9543fe7f8945f0bd"
    "e046101439480000e04043554042ed47a543ff410b4aa07d3047b4ad5f44ff410b4az8.ff410b4az8.ff410b"
    "4a925320cb2995384cff410b4ac5e5b6ca755b764bff410b4az24.e05443779b01000050e32b4az13.e8fe45"
    "0080fb450000804352ac52c3616b5b440080824340e934c3f5cbfa420000cf44z9.435249432328000007z3."
    "6d61696e2d3032z8.ec51383d01z4.8813z7.a8da769b01z134.e8030000d007z9576.02z7.03z3.01d0afda"
    "769b01z7.e01fz44.a0927cz6.e8fe4500e8fe45z429.";

static size_t bytes_of(const char *text, uint8_t *out, size_t room)
{
    size_t n = 0;
    while (*text) {
        char *end, digits[3] = {text[0], text[1], '\0'};
        unsigned long value =
            strtoul(*text == 'z' ? text + 1 : digits, &end, 10 + 6 * (*text != 'z'));
        bool zeros = *text == 'z';
        assert_true(n + (zeros ? value : 1) <= room);
        if (zeros)
            memset(out + n, 0, value);
        else
            out[n] = (uint8_t)value;
        n += zeros ? value : 1;
        text = zeros ? end + 1 : text + 2;
    }
    return n;
}

static bool load(struct loads_rig *b, const uint8_t *bytes, size_t n)
{
    struct codec_in in = {bytes, bytes + n, false};
    return loads_load(b->loads, &in);
}

static void names_and_loads_survive(struct loads_rig *b, const char *text)
{
    static uint8_t bytes[32768];
    struct loads_known known[LOADS_MAX_KNOWN];
    assert_true(load(b, bytes, bytes_of(text, bytes, sizeof bytes)));
    assert_int_equal(loads_known(b->loads, 0, known), 2);
    size_t laminator = known[0].amps > 5 ? 0 : 1;
    assert_string_equal(known[laminator].name, "Laminator");
    assert_near(known[laminator].amps, 7.0, 0.05);
    assert_near(known[laminator].runs, 4, 0.01);
    assert_near(known[!laminator].amps, 1.2, 0.05);
    assert_string_equal(known[!laminator].name, "");

    /* and what was on goes on: it ends as the run that began before */
    b->frame->mono_ms = 5000 + 8160 * 1000;
    b->frame->wall_ms = LOADS_RIG_BEGIN_WALL_MS + 8160 * 1000;
    rig_hold(b, 7.2, 40);
    rig_hold(b, 0.2, 120);
    const struct event *off = &b->events[b->count - 1];
    assert_int_equal(off->type, EVENT_LOAD_OFF);
    assert_string_equal(off->load.appliance, "Laminator");
    assert_near(off->load.seconds, 140, 2);
}

static void what_version_4_saved_is_read(void **state)
{
    names_and_loads_survive(*state, version_4);
}

static void what_version_5_saved_is_read(void **state)
{
    names_and_loads_survive(*state, version_5);
}

/* Its portrait had fewer figures, and its rests no amps. */
static void what_version_8_saved_is_read(void **state)
{
    names_and_loads_survive(*state, version_8);
}

/* It did not know from where it rose and to where it fell; how long it has watched stays. */
static void what_version_10_saved_is_read(void **state)
{
    struct loads_rig *b = *state;
    struct loads_whole whole;
    names_and_loads_survive(b, version_10);
    loads_whole(b->loads, 0, &whole);
    assert_near(whole.days * 86400, 8160 + 160, 30);
}

static void a_damaged_old_state_leaves_nothing_behind(void **state)
{
    static uint8_t bytes[32768];
    struct loads_rig *b = *state;
    struct loads_known known[LOADS_MAX_KNOWN];
    size_t n = bytes_of(version_4, bytes, sizeof bytes);
    for (size_t cut = 0; cut < n; cut += 89) {
        if (!load(b, bytes, cut))
            assert_int_equal(loads_known(b->loads, 0, known), 0);
    }
    bytes[8] = 5; /* the version; its contents are those of 4 */
    assert_false(load(b, bytes, n));
    assert_int_equal(loads_known(b->loads, 0, known), 0);
}

static void a_later_version_begins_anew(void **state)
{
    static uint8_t bytes[32768];
    struct loads_rig *b = *state;
    struct loads_known known[LOADS_MAX_KNOWN];
    size_t n = bytes_of(version_5, bytes, sizeof bytes);
    bytes[8] = 200;
    assert_true(load(b, bytes, n));
    assert_int_equal(loads_known(b->loads, 0, known), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(what_version_4_saved_is_read, loads_rig_set_up,
                                        loads_rig_tear_down),
        cmocka_unit_test_setup_teardown(what_version_5_saved_is_read, loads_rig_set_up,
                                        loads_rig_tear_down),
        cmocka_unit_test_setup_teardown(what_version_8_saved_is_read, loads_rig_set_up,
                                        loads_rig_tear_down),
        cmocka_unit_test_setup_teardown(what_version_10_saved_is_read, loads_rig_set_up,
                                        loads_rig_tear_down),
        cmocka_unit_test_setup_teardown(a_damaged_old_state_leaves_nothing_behind,
                                        loads_rig_set_up, loads_rig_tear_down),
        cmocka_unit_test_setup_teardown(a_later_version_begins_anew, loads_rig_set_up,
                                        loads_rig_tear_down),
    };
    return cmocka_run_group_tests_name("loads_versions", tests, NULL, NULL);
}
