/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Feeds, revision and set-up: what is compared, what a power-up under others is
 * told, and that what is said to settle it does.
 */
#include "reference/reference_json.h"
#include "reference/reference_model.h"
#include "support/judge_scene.h"
#include "verdict/repeated.h"
#include "verdict/verdict_json.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static struct reference *taught; /* under nothing that is said */

static int teach(void **state)
{
    (void)state;
    taught = scene_reference(4, false);
    return taught ? 0 : -1;
}

static int forget(void **state)
{
    (void)state;
    reference_destroy(taught);
    return 0;
}

/* "30,15" and so on; NULL: not said. */
struct said {
    const char *feeds, *revision, *set_up;
};

static struct conditions conditions_of(struct said said)
{
    struct conditions conditions = {0};
    if (said.feeds)
        assert_int_equal(feeds_read(said.feeds, &conditions.feeds), FEEDS_READ);
    char revision[160] = "";
    char set_up[160] = "";
    struct conditions texts = {0};
    if (said.revision) {
        assert_in_range(snprintf(revision, sizeof revision, "%s", said.revision), 0, 159);
        texts.revision = revision;
    }
    if (said.set_up) {
        assert_in_range(snprintf(set_up, sizeof set_up, "%s", said.set_up), 0, 159);
        texts.set_up = set_up;
    }
    assert_int_equal(conditions_copy(&conditions, &texts), 0);
    return conditions;
}

static void differences(void **state)
{
    (void)state;
    static const struct {
        struct said taught, on_bench;
        bool feeds, revision, set_up;
    } cases[] = {
        {{"30,15", "A", "bare"}, {"30,15", "A", "bare"}, false, false, false},
        {{"30,15", "A", "bare"}, {"15, 30,15", " a", "Bare "}, false, false, false},
        {{"30,15", NULL, NULL}, {"battery,IGNITION", NULL, NULL}, false, false, false},
        {{"30,15", NULL, NULL}, {"30", NULL, NULL}, true, false, false},
        {{"30", NULL, NULL}, {"30,15", NULL, NULL}, true, false, false},
        {{"30,50", NULL, NULL}, {"30,15", NULL, NULL}, true, false, false},
        {{"30", "A", "x"}, {"30", "B", "x"}, false, true, false},
        {{"30", "A", "x"}, {"30", "AB", "y"}, false, true, true},
        /* What is not said is not compared. */
        {{NULL, NULL, NULL}, {"30,15", "A", "bare"}, false, false, false},
        {{"30,15", "A", "bare"}, {NULL, NULL, NULL}, false, false, false},
        {{"30", NULL, "x"}, {NULL, "B", "y"}, false, false, true},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct conditions a = conditions_of(cases[i].taught);
        struct conditions b = conditions_of(cases[i].on_bench);
        struct conditions_difference one = conditions_compare(&a, &b);
        struct conditions_difference other = conditions_compare(&b, &a);
        assert_int_equal(one.feeds, cases[i].feeds);
        assert_int_equal(one.revision, cases[i].revision);
        assert_int_equal(one.set_up, cases[i].set_up);
        assert_int_equal(one.any, cases[i].feeds || cases[i].revision || cases[i].set_up);
        assert_memory_equal(&one, &other, sizeof one);
        conditions_clear(&a);
        conditions_clear(&b);
    }
}

static void feeds_in_a_row(void **state)
{
    (void)state;
    static const char *const wrong[] = {
        "", ",", "30,", ",15", "30,,15", " , ", "1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16,17"};
    struct texts feeds = {0};
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        assert_int_equal(feeds_read(wrong[i], &feeds), FEEDS_WRONG);
        assert_int_equal(feeds.count, 0);
    }
    assert_int_equal(feeds_read(" 30 , ignition feed,50", &feeds), FEEDS_READ);
    assert_int_equal(feeds.count, 3);
    char text[64];
    char words[64];
    feeds_say(&feeds, text, sizeof text);
    assert_string_equal(text, "30, ignition feed, 50");
    feeds_say_and(text, words, sizeof words);
    assert_string_equal(words, "30, ignition feed and 50");
    feeds_say(&feeds, text, 10);
    assert_string_equal(text, "30, ig...");
    texts_clear(&feeds);
}

/* The reference as a file says it, under these conditions. */
static struct reference *taught_under(struct said said)
{
    struct conditions own = conditions_of(said);
    struct reference like = *taught;
    like.conditions = own;
    char *text = reference_print(&like);
    assert_non_null(text);
    struct error error = {0};
    struct reference *reference = reference_parse(text, strlen(text), "as taught", &error);
    assert_non_null(reference);
    free(text);
    conditions_clear(&own);
    return reference;
}

static void the_file_says_it(void **state)
{
    (void)state;
    struct reference *reference = taught_under((struct said){"30,15", "A", "long harness"});
    const struct conditions *read = reference_conditions(reference);
    assert_int_equal(read->feeds.count, 2);
    assert_string_equal(read->feeds.items[1], "15");
    assert_string_equal(read->revision, "A");
    assert_string_equal(read->set_up, "long harness");
    reference_destroy(reference);
    /* A file from before feeds were told has no such key. */
    char *text = reference_print(taught);
    char *key = strstr(text, "  \"feeds\": null,\n");
    assert_non_null(key);
    char *behind = strchr(key, '\n') + 1;
    memmove(key, behind, strlen(behind) + 1);
    struct error error = {0};
    reference = reference_parse(text, strlen(text), "older", &error);
    assert_non_null(reference);
    assert_int_equal(reference_conditions(reference)->feeds.count, 0);
    reference_destroy(reference);
    free(text);
}

static void a_bad_list_is_told(void **state)
{
    (void)state;
    static const char *const wrong[] = {"[]", "\"30\"", "[30]", "[\"\"]", "{}", "[\"30\", null]"};
    char *text = reference_print(taught);
    char *key = strstr(text, "\"feeds\": null");
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        char *whole = NULL;
        assert_true(asprintf(&whole, "%.*s\"feeds\": %s%s", (int)(key - text), text, wrong[i],
                             key + strlen("\"feeds\": null")) > 0);
        struct error error = {0};
        assert_null(reference_parse(whole, strlen(whole), "bad.json", &error));
        assert_int_equal(error.status, EXIT_BAD_DATA);
        assert_non_null(strstr(error.found, "feeds"));
        assert_non_null(strstr(error.expected, "16 texts"));
        free(whole);
    }
    free(text);
}

static struct verdict judged(const struct judge_scene *scene, struct said taught_so,
                             struct said bench_so, bool together)
{
    struct reference *reference = taught_under(taught_so);
    struct conditions on_bench = conditions_of(bench_so);
    struct trace trace = {0};
    scene_trace(scene, &trace);
    struct verdict verdict;
    struct repeated_power_up power_up;
    struct phases phases = {0};
    if (together)
        assert_int_equal(repeated_judge_trace_under(&on_bench, reference, NULL, trace.readings,
                                                    trace.count, &verdict, &phases, &power_up),
                         0);
    else
        assert_int_equal(judge_trace_under(&on_bench, reference, NULL, trace.readings, trace.count,
                                           &verdict, NULL),
                         0);
    /* What comes after the decision changes nothing. */
    if (verdict.final) {
        size_t count = 0;
        while (count < trace.count &&
               trace.readings[count].time_s <= verdict.onset_s + verdict.decided_at_s + 1e-9)
            count++;
        struct verdict part;
        assert_int_equal(
            judge_trace_under(&on_bench, reference, NULL, trace.readings, count, &part, NULL), 0);
        assert_true(part.final);
        assert_int_equal(part.kind, verdict.kind);
        assert_true(part.decided_at_s == verdict.decided_at_s);
        assert_string_equal(part.reason_count ? part.reasons[0].text : "",
                            verdict.reason_count ? verdict.reasons[0].text : "");
    }
    phases_clear(&phases);
    trace_clear(&trace);
    conditions_clear(&on_bench);
    reference_destroy(reference);
    return verdict;
}

/* Does what the settle says: the bench as taught, or a reference for the bench. */
static void apply(const struct settle *settle, struct said *taught_so, struct said *bench_so)
{
    struct said *changed = settle->code == SETTLE_AS_TAUGHT ? bench_so : taught_so;
    assert_true(settle->code == SETTLE_AS_TAUGHT || settle->code == SETTLE_REFERENCE_FOR);
    if (settle->feeds[0])
        changed->feeds = settle->feeds;
    if (settle->revision[0])
        changed->revision = settle->revision;
    if (settle->set_up[0])
        changed->set_up = settle->set_up;
}

static void what_is_said_settles(void **state)
{
    (void)state;
    static const struct {
        struct said taught, on_bench;
        enum reason_code codes[3];
        size_t reasons, settles;
        const char *says, *settled_by;
    } cases[] = {
        {{"30,15", NULL, NULL},
         {"30", NULL, NULL},
         {REASON_OTHER_FEEDS},
         1,
         2,
         "taught with feeds 30 and 15 live, the bench has 30",
         "repeat with feeds 30 and 15 live, as taught"},
        {{NULL, "A", NULL},
         {"30", "B", NULL},
         {REASON_OTHER_REVISION},
         1,
         1,
         "is of revision A, on the bench is revision B",
         "a reference for revision B would do"},
        {{NULL, NULL, "bare board"},
         {NULL, "B", "in its case"},
         {REASON_OTHER_SET_UP},
         1,
         2,
         "taught in set-up \"bare board\", on the bench it is \"in its case\"",
         "repeat with set-up \"bare board\", as taught"},
        {{"30", "A", "bare board"},
         {"30,15", "A", "in its case"},
         {REASON_OTHER_FEEDS, REASON_OTHER_SET_UP},
         2,
         2,
         "taught with feeds 30 live, the bench has 30 and 15",
         "repeat with feeds 30 live and set-up \"bare board\", as taught"},
        {{"30", "A", "bare board"},
         {"30,15", "B", "in its case"},
         {REASON_OTHER_FEEDS, REASON_OTHER_REVISION, REASON_OTHER_SET_UP},
         3,
         1,
         "taught with feeds 30 live, the bench has 30 and 15",
         "a reference for feeds 30 and 15, revision B and set-up \"in its case\" would do"},
    };
    struct judge_scene scene = scene_good(31);
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        for (int together = 0; together < 2; together++) {
            struct verdict verdict =
                judged(&scene, cases[i].taught, cases[i].on_bench, together == 1);
            assert_int_equal(verdict.kind, VERDICT_UNSURE);
            assert_true(verdict.final);
            assert_true(verdict.decided_at_s < 0.35);
            assert_int_equal(verdict.reason_count, cases[i].reasons);
            for (size_t k = 0; k < cases[i].reasons; k++)
                assert_int_equal(verdict.reasons[k].code, cases[i].codes[k]);
            const char *text = verdict.reasons[0].text;
            if (!strstr(text, cases[i].says) || !strstr(text, cases[i].settled_by))
                fail_msg("it says: %s", text);
            assert_int_equal(verdict.settle_count, cases[i].settles);
            for (size_t k = 0; k < verdict.settle_count; k++) {
                struct said taught_so = cases[i].taught;
                struct said bench_so = cases[i].on_bench;
                apply(&verdict.settles[k], &taught_so, &bench_so);
                assert_int_equal(judged(&scene, taught_so, bench_so, together == 1).kind,
                                 VERDICT_GOOD);
            }
            if (verdict.settle_count < 2)
                continue;
            /* One of two differences made good is not enough. */
            struct said half = {cases[i].taught.feeds, cases[i].on_bench.revision,
                                cases[i].on_bench.set_up};
            if (cases[i].reasons > 1)
                assert_int_equal(judged(&scene, cases[i].taught, half, false).kind, VERDICT_UNSURE);
        }
    }
}

static void figures_stand_beside_the_words(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(32);
    struct verdict verdict =
        judged(&scene, (struct said){"30,15", "A", NULL}, (struct said){"30", "B", NULL}, false);
    json_t *object = verdict_to_json(&verdict);
    json_t *expected =
        json_pack("[{s:s, s:s, s:s}, {s:s, s:s, s:s}]", "code", "other_feeds", "taught", "30, 15",
                  "on_bench", "30", "code", "other_revision", "taught", "A", "on_bench", "B");
    json_t *reasons = json_object_get(object, "reasons");
    for (size_t i = 0; i < json_array_size(reasons); i++)
        json_object_del(json_array_get(reasons, i), "text");
    assert_true(json_equal(reasons, expected));
    json_t *settle = json_array_get(json_object_get(object, "settle"), 0);
    json_object_del(settle, "text");
    json_t *wanted =
        json_pack("{s:s, s:s, s:s}", "code", "reference_for", "feeds", "30", "revision", "B");
    assert_true(json_equal(settle, wanted));
    json_decref(wanted);
    json_decref(expected);
    json_decref(object);
}

/* A module that draws nothing, shorts at once, or has its leads reversed: told
 * with no reference at all for what is on the bench. */
static struct verdict fault(const char *which, struct said bench_so)
{
    struct judge_scene scene = scene_good(33);
    struct trace trace = {0};
    if (strcmp(which, "no draw") == 0)
        for (int k = 0; k < scene.count; k++)
            scene.steps[k].level_A = 0;
    if (strcmp(which, "asleep") == 0)
        for (int k = 0; k < scene.count; k++)
            scene.steps[k].level_A = 0.006;
    scene_trace(&scene, &trace);
    for (size_t i = 0; i < trace.count; i++) {
        struct reading *reading = &trace.readings[i];
        if (reading->time_s < 0.6 ||
            (strcmp(which, "short") != 0 && strcmp(which, "reversed") != 0))
            continue;
        reading->voltage_V = strcmp(which, "short") == 0 ? 0.05 : 0.72;
        reading->current_A = 1.0;
        reading->limited = FLAG_YES;
    }
    struct reference *reference = taught_under((struct said){"30,15", "A", "bare"});
    struct conditions on_bench = conditions_of(bench_so);
    struct verdict verdict;
    assert_int_equal(
        judge_trace_under(&on_bench, reference, NULL, trace.readings, trace.count, &verdict, NULL),
        0);
    conditions_clear(&on_bench);
    reference_destroy(reference);
    trace_clear(&trace);
    return verdict;
}

static void what_needs_no_reference_is_told(void **state)
{
    (void)state;
    static const struct said differing[] = {
        {"30", "A", "bare"}, {"30,15", "B", "bare"}, {"30,15", "A", "cased"}, {"30", "B", "cased"}};
    for (size_t i = 0; i < sizeof differing / sizeof *differing; i++) {
        bool feeds_differ = strcmp(differing[i].feeds, "30") == 0;
        struct verdict verdict = fault("short", differing[i]);
        assert_int_equal(verdict.kind, VERDICT_BAD);
        assert_int_equal(verdict.reasons[0].code, REASON_AT_LIMIT);
        verdict = fault("reversed", differing[i]);
        assert_int_equal(verdict.kind, VERDICT_BAD);
        assert_int_equal(verdict.reasons[0].code, REASON_REVERSED);
        verdict = fault("no draw", differing[i]);
        assert_true(verdict.final);
        /* Without a feed it had it may well draw nothing. */
        assert_int_equal(verdict.kind, feeds_differ ? VERDICT_UNSURE : VERDICT_BAD);
        assert_int_equal(verdict.reasons[0].code,
                         feeds_differ ? REASON_OTHER_FEEDS : REASON_NO_DRAW);
        if (!feeds_differ) {
            assert_true(isnan(verdict.reasons[0].low));
            assert_true(verdict.settle_count == 0);
        }
        /* How much it draws asleep is the reference's to say. */
        verdict = fault("asleep", differing[i]);
        assert_int_equal(verdict.kind, VERDICT_UNSURE);
        assert_true(verdict.settle_count > 0);
    }
    assert_int_equal(fault("asleep", (struct said){"30,15", "A", "bare"}).kind, VERDICT_BAD);
    assert_int_equal(fault("no draw", (struct said){"30,15", "A", "bare"}).kind, VERDICT_BAD);
}

/* A record that ends too early still says what differs, first. */
static void a_short_record_says_it_too(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(34);
    scene.end_s = 0.15;
    struct verdict verdict =
        judged(&scene, (struct said){"30,15", NULL, NULL}, (struct said){"30", NULL, NULL}, false);
    assert_int_equal(verdict.kind, VERDICT_UNSURE);
    assert_false(verdict.final);
    assert_int_equal(verdict.reasons[0].code, REASON_OTHER_FEEDS);
    assert_int_equal(verdict.reasons[1].code, REASON_INCOMPLETE);
    scene.never_on = true;
    verdict =
        judged(&scene, (struct said){"30,15", NULL, NULL}, (struct said){"30", NULL, NULL}, false);
    assert_int_equal(verdict.reasons[0].code, REASON_NO_ONSET);
    assert_int_equal(verdict.reasons[1].code, REASON_OTHER_FEEDS);
}

/* A unit's power-ups under other conditions say nothing of it, and settle as one does. */
static void a_units_power_ups(void **state)
{
    (void)state;
    struct reference *reference = taught_under((struct said){"30,15", NULL, NULL});
    struct conditions on_bench = conditions_of((struct said){"30", NULL, NULL});
    struct repeated_power_up power_ups[3];
    for (uint64_t i = 0; i < 3; i++) {
        struct judge_scene scene = scene_good(40 + i);
        struct trace trace = {0};
        struct verdict verdict;
        struct phases phases = {0};
        scene_trace(&scene, &trace);
        assert_int_equal(repeated_judge_trace_under(&on_bench, reference, NULL, trace.readings,
                                                    trace.count, &verdict, &phases, &power_ups[i]),
                         0);
        phases_clear(&phases);
        trace_clear(&trace);
    }
    struct unit_verdict unit;
    assert_int_equal(repeated_judge(reference, NULL, power_ups, 3, &unit), 0);
    assert_int_equal(unit.kind, VERDICT_UNSURE);
    assert_int_equal(unit.reasons[0].code, REASON_OTHER_FEEDS);
    assert_int_equal(unit.settles[0].code, SETTLE_AS_TAUGHT);
    assert_string_equal(unit.settles[0].feeds, "30, 15");
    conditions_clear(&on_bench);
    reference_destroy(reference);
}

/* Texts of any length and any characters stay whole in the JSON. */
static void long_texts_are_cut_between_characters(void **state)
{
    (void)state;
    static const char *const characters[] = {"a", "\xC3\xBC", "\xE2\x84\xA6", "\xF0\x9F\x94\x8B"};
    const char *given = getenv("WAKEDRAW_TEST_SEED");
    uint64_t seed = given ? strtoull(given, NULL, 10) : 20261125;
    printf("seed %llu\n", (unsigned long long)seed);
    struct judge_scene scene = scene_good(35);
    scene.end_s = 1;
    for (int round = 0; round < 60; round++) {
        char texts[4][140] = {{0}};
        for (int t = 0; t < 4; t++) {
            seed = seed * 6364136223846793005u + 1442695040888963407u;
            size_t length = (seed >> 33) % 120;
            texts[t][0] = t % 2 ? 'x' : 'y';
            for (size_t used = 1; used < length; used = strlen(texts[t])) {
                seed = seed * 6364136223846793005u + 1442695040888963407u;
                snprintf(texts[t] + used, sizeof texts[t] - used, "%s",
                         characters[(seed >> 40) % 4]);
            }
        }
        struct verdict verdict = judged(&scene, (struct said){texts[0], texts[1], texts[2]},
                                        (struct said){texts[3], texts[2], texts[1]}, false);
        assert_int_equal(verdict.reason_count, 3);
        assert_null(strstr(texts[0], ","));
        json_t *object = verdict_to_json(&verdict);
        char *printed = json_dumps(object, 0);
        assert_non_null(printed);
        json_t *reason = NULL;
        size_t i = 0;
        json_array_foreach(json_object_get(object, "reasons"), i, reason)
        {
            assert_non_null(json_object_get(reason, "text"));
            assert_non_null(json_object_get(reason, "taught"));
            assert_non_null(json_object_get(reason, "on_bench"));
        }
        assert_non_null(strstr(verdict.reasons[0].text, " would do"));
        free(printed);
        json_decref(object);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(differences),
        cmocka_unit_test(feeds_in_a_row),
        cmocka_unit_test(the_file_says_it),
        cmocka_unit_test(a_bad_list_is_told),
        cmocka_unit_test(what_is_said_settles),
        cmocka_unit_test(figures_stand_beside_the_words),
        cmocka_unit_test(what_needs_no_reference_is_told),
        cmocka_unit_test(a_short_record_says_it_too),
        cmocka_unit_test(a_units_power_ups),
        cmocka_unit_test(long_texts_are_cut_between_characters),
    };
    return cmocka_run_group_tests(tests, teach, forget);
}
