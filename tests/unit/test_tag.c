/* test_tag.c: what a tag is, PC word, CRC-16 and TID, against published values. The source stands
 * beside each. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <stdio.h>
#include <string.h>

#include "common/tag.h"
#include "tests/from_hex.h"

static struct epc epc_of(const char *hex) {
    struct epc epc = {0};
    struct error err;
    if (hex[0] != '\0') {
        assert_int_equal(epc_parse(slice_text(hex), &epc, &err), ERR_OK);
    }
    return epc;
}

/* An event with up to two schemes, "gid96:31415:271828 own:439041101". */
static struct record_found *event_of(const char *schemes) {
    static struct record_found found;
    found = (struct record_found){0};
    while (*schemes != '\0') {
        size_t length = strcspn(schemes, " ");
        struct error err;
        assert_int_equal(epc_scheme_parse(slice_of(schemes, length),
                                          &found.category[found.category_count++].scheme, &err),
                         ERR_OK);
        schemes += length + (schemes[length] == ' ' ? 1 : 0);
    }
    return &found;
}

enum { NO_PC = -1 };

static struct tag_sight sight_of(const char *schemes, const char *hex, int pc_or_none) {
    struct epc epc = epc_of(hex);
    uint16_t pc = (uint16_t)pc_or_none;
    struct tag_sight sight;
    memset(&sight, 0xAA, sizeof(sight));
    tag_recognise(event_of(schemes), &epc, pc_or_none == NO_PC ? NULL : &pc, &sight);
    assert_non_null(memchr(sight.name, '\0', sizeof(sight.name)));
    return sight;
}

static void expect(const char *schemes, const char *hex, int pc, enum tag_kind kind,
                   uint64_t number, const char *part) {
    struct tag_sight sight = sight_of(schemes, hex, pc);
    if (sight.kind != kind || sight.number != number || strstr(sight.name, part) == NULL) {
        fail_msg("%s in an event of %s, PC %x: got kind %d, number %llu, '%s'", hex, schemes,
                 (unsigned)pc, sight.kind, (unsigned long long)sight.number, sight.name);
    }
}

/* ---- CRC-16 and PC ---- */

static void crc_of_the_catalogue(void **state) {
    (void)state;
    /* The CRC catalogue, CRC-16/GENIBUS: check("123456789") = D64E. The first two characters stand
     * for the PC word; seven bytes are no EPC, but the sum takes any. */
    struct epc epc = {.size = 7};
    memcpy(epc.data, "3456789", 7);
    assert_int_equal(tag_crc(0x3132, &epc), 0xD64E);
}

static void crc_of_the_annex(void **state) {
    (void)state;
    /* Gen2 air interface, annex with EPC lengths 0 to 6 words: the table is from memory. */
    static const struct {
        uint16_t pc;
        const char *epc;
        uint16_t crc;
    } cases[] = {
        {0x0000, "", 0xE2F0},
        {0x0800, "1111", 0xCCAE},
        {0x1000, "11112222", 0x968F},
        {0x1800, "111122223333", 0x78F6},
        {0x2000, "1111222233334444", 0xC241},
        {0x2800, "11112222333344445555", 0x2A91},
        {0x3000, "111122223333444455556666", 0x1835},
        /* A real tag that is quoted publicly. */
        {0x3000, "E2004216CB60601500951ED6", 0xB91F},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct epc epc = epc_of(cases[i].epc);
        assert_int_equal(tag_crc(cases[i].pc, &epc), cases[i].crc);
    }
}

static void residue_of_the_catalogue(void **state) {
    (void)state;
    /* CRC-16/GENIBUS: residue 1D0F, of a message with its own check word behind it, before the
     * last inversion. */
    struct epc epc = epc_of("350007AB70425D4000000586");
    uint16_t crc = tag_crc(0x3000, &epc);
    epc.data[epc.size++] = (uint8_t)(crc >> 8);
    epc.data[epc.size++] = (uint8_t)(crc & 0xFF);
    assert_int_equal(tag_crc(0x3000, &epc) ^ 0xFFFF, 0x1D0F);
}

static void pc_words(void **state) {
    (void)state;
    struct epc epc = epc_of("350007AB70425D4000000586");
    const struct record_found *found = event_of("gid96:31415:271828 own:439041101");
    /* GS1 TDS 9.1 and Gen2: six words, toggle 0. */
    assert_int_equal(tag_pc(&found->category[0].scheme, &epc), 0x3000);
    /* The project's own choice: toggle 1, AFI 0F. */
    epc = epc_of("1A2B3C4D000000000000002A");
    assert_int_equal(tag_pc(&found->category[1].scheme, &epc), 0x310F);
    found = event_of("own:439041101:A1"); /* another choice of the organiser's */
    assert_int_equal(tag_pc(&found->category[0].scheme, &epc), 0x31A1);
    struct epc_scheme as_read = {.kind = EPC_AS_READ};
    epc = epc_of("1234");
    assert_int_equal(tag_pc(&as_read, &epc), 0x0800);
    epc.size = EPC_SIZE_MAX;
    assert_int_equal(tag_pc(&as_read, &epc), 0xF800);
}

/* ---- what a tag is ---- */

static const char both[] = "gid96:31415:271828 own:439041101";

static void tags_of_this_event(void **state) {
    (void)state;
    /* urn:epc:tag:gid-96:31415.271828.1414, GS1 TDS worked example. */
    expect(both, "350007AB70425D4000000586", 0x3000, TAG_OURS, 1414, "this event");
    expect(both, "350007AB70425D4000000586", NO_PC, TAG_OURS, 1414, "1414");
    expect(both, "1A2B3C4D000000000000002A", 0x310F, TAG_OURS, 42, "42");
    /* A writer that types an EPC sets no PC: the event's code tells ours all the same. */
    expect(both, "1A2B3C4D000000000000002A", 0x3000, TAG_OURS, 42, "this event");
    expect("as-read own:439041101", "1A2B3C4D000000000000002A", NO_PC, TAG_OURS, 42, "42");
    /* The code of an event may look like a header of GS1. */
    expect("own:813182267", "30782D3B000000000000002A", NO_PC, TAG_OURS, 42, "42");
}

static void tags_of_other_events(void **state) {
    (void)state;
    /* Another class, and another manager. */
    expect(both, "350007AB70425D5000000586", 0x3000, TAG_OTHER_EVENT, 1414, "another event");
    expect(both, "350007AB80425D4000000586", NO_PC, TAG_OTHER_EVENT, 1414, "GID-96");
    expect(both, "1A2B3C4E000000000000002A", 0x310F, TAG_OTHER_EVENT, 42, "number 42");
    expect(both, "1A2B3C4E000000000000002A", NO_PC, TAG_OTHER_EVENT, 42, "own");
    expect("gid96:31415:271828", "1A2B3C4E000000000000002A", 0x310F, TAG_OTHER_SCHEME, 0, "own");
    expect("own:7", "350007AB70425D4000000586", 0x3000, TAG_OTHER_SCHEME, 0, "GID-96");
    /* GID-96 with every field at its end. */
    expect(both, "35FFFFFFFFFFFFFFFFFFFFFF", NO_PC, TAG_OTHER_EVENT, UINT64_C(68719476735), "");
    /* More than a bib can have; a number that has no code before it; toggle with another AFI. */
    expect(both, "1A2B3C4E000000E8D4A51000", NO_PC, TAG_UNKNOWN, 0, "not known");
    expect(both, "00000000000000000000002A", NO_PC, TAG_UNKNOWN, 0, "not known");
    expect(both, "1A2B3C4E000000000000002A", 0x31A1, TAG_UNKNOWN, 0, "AFI A1");
    expect("own:7:A1", "1A2B3C4E000000000000002A", 0x31A1, TAG_OTHER_EVENT, 42, "own");
    expect("own:7:A1", "1A2B3C4E000000000000002A", 0x310F, TAG_OTHER_EVENT, 42, "own");
}

static void blank_tags(void **state) {
    (void)state;
    expect(both, "000000000000000000000000", 0x3000, TAG_BLANK, 0, "blank");
    expect(both, "0000", NO_PC, TAG_BLANK, 0, "blank");
    expect(both, "", 0x0000, TAG_BLANK, 0, "blank");
    expect(both, "350007AB70425D4000000586", 0x0000, TAG_BLANK, 0, "blank"); /* no EPC by its PC */
    /* A real tag that is quoted publicly, as its maker filled it. TDS 2.3, table 14-1: no code ever
     * begins with E2. */
    expect(both, "E2004216CB60601500951ED6", 0x3000, TAG_BLANK, 0, "maker");
    expect("as-read", "000000000000000000000000", 0x3000, TAG_BLANK, 0, "blank");
}

static void chips_that_come_written(void **state) {
    (void)state;
    static const char *const cases[] = {"E2004216CB60601500951ED6", "350007AB70425D4000000586",
                                        "3074257BF7194E4000001A85", "1A2B3C4D000000000000002A",
                                        "00000000000000000000002A"};
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        expect("as-read", cases[i], NO_PC, TAG_UNKNOWN, 0, "");
    }
    expect("as-read", "3074257BF7194E4000001A85", NO_PC, TAG_UNKNOWN, 0, "SGTIN-96");
}

static void library_tags(void **state) {
    (void)state;
    /* AFI C2 on loan, 07 in stock: ISO TC46/SC4/WG11, "AFI for libraries". */
    expect(both, "3074257BF7194E4000001A85", 0x31C2, TAG_UNKNOWN, 0, "library");
    expect(both, "1A2B3C4E000000000000002A", 0x3107, TAG_UNKNOWN, 0, "library");
    expect(both, "3074257BF7194E4000001A85", 0x31A1, TAG_UNKNOWN, 0, "stranger");
}

static void gs1_tags(void **state) {
    (void)state;
    /* Worked examples of the standard's annex E.3, padded to whole words, as several public test
     * suites quote them; outside/tags.mjs makes more with an encoder of other people. */
    expect(both, "3074257BF7194E4000001A85", 0x3000, TAG_GS1, 0, "a shop's tag (GS1 SGTIN-96)");
    expect(both, "3674257BF6B7A659B2C2BF1000000000000000000000000000000000", NO_PC, TAG_GS1, 0,
           "SGTIN-198");
    expect(both, "3174257BF4499602D2000000", NO_PC, TAG_GS1, 0, "GS1 SSCC-96");
    expect(both, "3474257BF40000000000162E", NO_PC, TAG_GS1, 0, "GS1 GIAI-96");
    expect(both, "3274257BF46072000000162E", NO_PC, TAG_GS1, 0, "GS1 SGLN-96");
    expect(both, "3C74257BF400C0E680003039", NO_PC, TAG_GS1, 0, "GS1 CPI-96");
    expect(both, "3D74257BF75411DEF6B4CC00000003039000", NO_PC, TAG_GS1, 0, "GS1 CPI-var");
    expect(both, "3B0E0CF5E76C9047759AD00373DC7602E7200000", NO_PC, TAG_GS1, 0, "GS1 ADI-var");
    expect(both, "3F74F4E4E612640000019907", NO_PC, TAG_GS1, 0, "GS1 SGCN-96");
    expect(both, "2F320434147455900000162E", NO_PC, TAG_GS1, 0, "GS1 USDoD-96");
    /* Partition 7 does not exist (TDS 14.6, partition tables: 0 to 6). */
    expect(both, "307C257BF7194E4000001A85", 0x3000, TAG_UNKNOWN, 0, "not known");
    expect(both, "3074257BF7194E400000", 0x2800, TAG_UNKNOWN, 0, "not known"); /* cut short */
    /* A code of GS1 whose serial is short looks like one of `own`: the header goes first. */
    expect("own:7", "3074257B0000000000000001", NO_PC, TAG_GS1, 0, "SGTIN-96");
    expect("own:7", "3074257B0000000000000001", 0x310F, TAG_OTHER_EVENT, 1, "own");
}

/* GS1 TDS 2.3 (2025), table 14-1: all headers that it gives to a code, beside GID-96. */
static void every_header_of_the_standard(void **state) {
    (void)state;
    static const struct {
        unsigned header;
        const char *name;
    } cases[] = {
        {0x2C, "GDTI-96"},  {0x2D, "GSRN-96"},   {0x2E, "GSRNP-96"}, {0x2F, "USDoD-96"},
        {0x30, "SGTIN-96"}, {0x31, "SSCC-96"},   {0x32, "SGLN-96"},  {0x33, "GRAI-96"},
        {0x34, "GIAI-96"},  {0x36, "SGTIN-198"}, {0x37, "GRAI-170"}, {0x38, "GIAI-202"},
        {0x39, "SGLN-195"}, {0x3A, "GDTI-113"},  {0x3B, "ADI-var"},  {0x3C, "CPI-96"},
        {0x3D, "CPI-var"},  {0x3E, "GDTI-174"},  {0x3F, "SGCN-96"},  {0x40, "ITIP-110"},
        {0x41, "ITIP-212"}, {0xE6, "CPI++"},     {0xE7, "GSRN++"},   {0xE8, "GSRNP++"},
        {0xE9, "SGLN++"},   {0xEA, "GDTI++"},    {0xEB, "GRAI++"},   {0xEC, "SGCN++"},
        {0xED, "ITIP++"},   {0xEE, "GIAI++"},    {0xEF, "SSCC++"},   {0xF0, "CPI+"},
        {0xF1, "GRAI+"},    {0xF2, "SGLN+"},     {0xF3, "ITIP+"},    {0xF4, "GSRN+"},
        {0xF5, "GSRNP+"},   {0xF6, "GDTI+"},     {0xF7, "SGTIN+"},   {0xF8, "SGCN+"},
        {0xF9, "SSCC+"},    {0xFA, "GIAI+"},     {0xFB, "DSGTIN+"},  {0xFC, "DSGTIN++"},
        {0xFD, "SGTIN++"},
    };
    size_t next = 0;
    for (unsigned header = 0; header < 0x100; header++) {
        char hex[2 * 28 + 1];
        char whole[24];
        snprintf(hex, sizeof(hex), "%02X%054d", header, 1);
        struct tag_sight sight = sight_of("own:7", hex, NO_PC);
        if (next < sizeof(cases) / sizeof(cases[0]) && cases[next].header == header) {
            snprintf(whole, sizeof(whole), "(GS1 %s)", cases[next].name);
            if (sight.kind != TAG_GS1 || strstr(sight.name, whole) == NULL) {
                fail_msg("%02X: kind %d, '%s', not %s", header, sight.kind, sight.name, whole);
            }
            next++;
        } else if (sight.kind == TAG_GS1) {
            fail_msg("%02X: '%s'", header, sight.name);
        }
    }
    assert_int_equal(next, sizeof(cases) / sizeof(cases[0]));
}

/* ---- TID ---- */

static struct tid tid_of(const char *hex) {
    struct tid tid = {0};
    struct error err;
    assert_int_equal(tid_parse(slice_text(hex), &tid, &err), ERR_OK);
    return tid;
}

static void expect_maker(const char *hex, unsigned designer, unsigned model, bool extended,
                         const char *serial) {
    struct tid tid = tid_of(hex);
    struct tag_maker maker;
    char text[2 * sizeof(maker.serial) + 1];
    assert_true(tag_maker(&tid, &maker));
    assert_int_equal(maker.class_id, tid.data[0]);
    assert_int_equal(maker.designer, designer);
    assert_int_equal(maker.model, model);
    assert_int_equal(maker.extended, extended);
    assert_int_equal(maker.has_serial, serial[0] != '\0');
    hex_encode(maker.serial, maker.serial_size, text);
    assert_string_equal(text, serial);
}

static void makers(void **state) {
    (void)state;
    /* An extended TID and the short one of the same chip, quoted in a public reference on TIDs. The
     * fields are those of GS1 TDS 16.1 and 16.2. */
    expect_maker("E28069952000500101D589CC", 6, 0x995, true, "500101d589cc");
    expect_maker("E2806995", 6, 0x995, true, "");
    /* All nine bits of a designer, and the two bits before them that are no part of it. */
    expect_maker("E21FFABC", 0x1FF, 0xABC, false, "");
    expect_maker("E2600FFF", 0, 0xFFF, false, "");
    /* TDS 16.2.2: 48 + 16 (V - 1) bits for V from 1 to 7, none for 0. */
    expect_maker("E28069950000500101D589CC", 6, 0x995, true, "");
    expect_maker("E2806995400000112233445566778899", 6, 0x995, true, "0011223344556677");
    expect_maker("E2806995E000000102030405060708090A0B0C0D0E0F1011", 6, 0x995, true,
                 "000102030405060708090a0b0c0d0e0f1011");
    /* One word of the serial was not read. */
    expect_maker("E28069952000500101D5", 6, 0x995, true, "");
    /* No XTID: what follows is the maker's own affair. */
    expect_maker("E20069952000500101D589CC", 6, 0x995, false, "");
    /* ISO/IEC 15963, class E0h: 8 bits of manufacturer, 48 of serial; layout from memory. */
    expect_maker("E004010012345678", 4, 0, false, "010012345678");
    expect_maker("E004", 4, 0, false, "");
}

static void tids_that_say_nothing(void **state) {
    (void)state;
    struct tag_maker maker = {.designer = 77};
    struct tid tid = {.size = 0};
    assert_false(tag_maker(&tid, &maker));
    tid = tid_of("E280");
    assert_false(tag_maker(&tid, &maker));
    tid = (struct tid){.size = 12, .data = {0xE3, 0x80, 0x69, 0x95}};
    assert_false(tag_maker(&tid, &maker));
    assert_int_equal(maker.designer, 77);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(crc_of_the_catalogue),
        cmocka_unit_test(crc_of_the_annex),
        cmocka_unit_test(residue_of_the_catalogue),
        cmocka_unit_test(pc_words),
        cmocka_unit_test(tags_of_this_event),
        cmocka_unit_test(tags_of_other_events),
        cmocka_unit_test(blank_tags),
        cmocka_unit_test(chips_that_come_written),
        cmocka_unit_test(library_tags),
        cmocka_unit_test(gs1_tags),
        cmocka_unit_test(every_header_of_the_standard),
        cmocka_unit_test(makers),
        cmocka_unit_test(tids_that_say_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
