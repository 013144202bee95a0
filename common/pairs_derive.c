/*
 * pairs_derive.c: the state of one bib, from the rows that name it.
 *
 * Live: counted, and no counted void or replacing issue names it. Doubled: two live issues of
 * which neither names the other as standing beside it. The cause of a double asks the clocks.
 */
#include "common/pairs_state.h"

#include "common/canon.h"

#include <stdlib.h>
#include <string.h>

/* A hostile station may issue one bib ten thousand times. Causes are looked up among the first so
 * many live issues by record id, which is the same choice everywhere. */
enum { CLASSIFIED_MAX = 32 };

struct naming_row;
struct issue_row {
    int64_t rid;
    struct record_id id;
    struct clock_position at;
    struct sign_public key;
    bool counted, was_live, live;
    bool settled;  /* not counted, and a lead has dealt with it */
    size_t enders; /* counted records that end it, and one of them; see look_decisive */
    const struct naming_row *ender;
};
struct naming_row {
    size_t issue; /* index of the one that is named */
    int relation;
    int64_t rid; /* of the record that names it */
    struct sign_public key;
    struct clock_position at;
    bool counted;
};
struct view {
    struct issue_row *issue;
    size_t issue_count, issue_capacity;
    struct naming_row *naming;
    size_t naming_count, naming_capacity;
    struct pairs_bib out;
};

static void *room(void *items, size_t count, size_t *capacity, size_t size) {
    if (count < *capacity) {
        return items;
    }
    size_t wanted = *capacity == 0 ? 8 : *capacity * 2;
    void *grown = realloc(items, wanted * size);
    if (grown != NULL) {
        *capacity = wanted;
    }
    return grown;
}

static enum error_code load_issues(struct ledger *ledger, struct view *view, struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_ISSUES_OF_BIB, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_text(statement, 1, view->out.bib.text, -1, SQLITE_STATIC);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        void *grown =
            room(view->issue, view->issue_count, &view->issue_capacity, sizeof *view->issue);
        if (grown == NULL) {
            sqlite3_reset(statement);
            return error_set(err, ERR_MEMORY, "issues of a bib");
        }
        view->issue = grown;
        struct issue_row *item = &view->issue[view->issue_count++];
        *item = (struct issue_row){
            .rid = sqlite3_column_int64(statement, 0),
            .at = {(uint32_t)sqlite3_column_int(statement, 2), sql_column_u64(statement, 3)},
            .counted = sqlite3_column_int(statement, 5) != 0,
            .was_live = sqlite3_column_int(statement, 6) != 0};
        (void)sql_column_bytes(statement, 1, &item->id, sizeof item->id);
        (void)sql_column_bytes(statement, 4, &item->key, sizeof item->key);
    }
    return code;
}

/* Which records name issue number `at`; who they are is filled in by describe_naming. */
static enum error_code load_namings(struct ledger *ledger, struct view *view, size_t at,
                                    struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_NAMINGS_OF_TARGET, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, view->issue[at].id.bytes, sizeof view->issue[at].id.bytes);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        void *grown =
            room(view->naming, view->naming_count, &view->naming_capacity, sizeof *view->naming);
        if (grown == NULL) {
            sqlite3_reset(statement);
            return error_set(err, ERR_MEMORY, "namings of an issue");
        }
        view->naming = grown;
        view->naming[view->naming_count++] =
            (struct naming_row){.issue = at,
                                .relation = sqlite3_column_int(statement, 0),
                                .rid = sqlite3_column_int64(statement, 1)};
    }
    return code;
}

static enum error_code describe_naming(struct ledger *ledger, struct naming_row *naming,
                                       struct error *err) {
    bool is_void = naming->relation == NAMING_VOIDED, row = false;
    sqlite3_stmt *statement =
        ledger_statement(ledger, is_void ? SQL_VOID_BY_RID : SQL_ISSUE_BY_RID, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int64(statement, 1, naming->rid);
    enum error_code code = ledger_row(ledger, statement, &row, err);
    if (code == ERR_OK && row) {
        int first = is_void ? 0 : 1;
        (void)sql_column_bytes(statement, first, &naming->key, sizeof naming->key);
        naming->counted = sqlite3_column_int(statement, first + 1) != 0;
        naming->at.chain = (uint32_t)sqlite3_column_int(statement, is_void ? 3 : 5);
        naming->at.number = sql_column_u64(statement, is_void ? 4 : 6);
    }
    sqlite3_reset(statement);
    return code;
}

static enum error_code load(struct ledger *ledger, struct view *view, struct error *err) {
    enum error_code code = load_issues(ledger, view, err);
    for (size_t i = 0; code == ERR_OK && i < view->issue_count; i++) {
        code = load_namings(ledger, view, i, err);
    }
    for (size_t i = 0; code == ERR_OK && i < view->naming_count; i++) {
        code = describe_naming(ledger, &view->naming[i], err);
    }
    return code;
}

/* ---- live, in doubt ---- */

/* A record that is held but does not count is dealt with once a lead names it in a void, or a
 * counted issue that carries all of its tags replaces it. */
static enum error_code look_settled(struct ledger *ledger, const struct pairs *pairs,
                                    struct view *view, size_t at, struct error *err) {
    struct issue_row *issue = &view->issue[at];
    struct tag_row own[RECORD_TAGS_MAX], other[RECORD_TAGS_MAX];
    size_t own_count = 0, other_count = 0;
    enum error_code code = tags_load(ledger, issue->rid, own, &own_count, err);
    for (size_t i = 0; code == ERR_OK && !issue->settled && i < view->naming_count; i++) {
        const struct naming_row *naming = &view->naming[i];
        if (naming->issue != at || !naming->counted) {
            continue;
        }
        if (naming->relation == NAMING_VOIDED) {
            issue->settled = standing_role(ledger, pairs, &naming->key) >= ROLE_LEAD;
        }
        if (naming->relation != NAMING_REPLACED) {
            continue;
        }
        code = tags_load(ledger, naming->rid, other, &other_count, err);
        issue->settled = tags_within(own, own_count, other, other_count, false, true);
    }
    return code;
}

static enum error_code look_live(struct ledger *ledger, const struct pairs *pairs,
                                 struct view *view, struct error *err) {
    enum error_code code = ERR_OK;
    size_t counted = 0;
    for (size_t i = 0; i < view->issue_count; i++) {
        view->issue[i].live = view->issue[i].counted;
    }
    for (size_t i = 0; i < view->naming_count; i++) {
        if (view->naming[i].counted && view->naming[i].relation != NAMING_BESIDE) {
            view->issue[view->naming[i].issue].live = false;
        }
    }
    for (size_t i = 0; code == ERR_OK && i < view->issue_count; i++) {
        counted += view->issue[i].counted;
        view->out.live += view->issue[i].live;
        if (view->issue[i].counted) {
            continue;
        }
        code = look_settled(ledger, pairs, view, i, err);
        view->out.doubt = view->out.doubt || !view->issue[i].settled;
    }
    view->out.state = view->out.live > 0 ? PAIRS_ISSUED
                      : counted > 0      ? PAIRS_EMPTIED
                                         : PAIRS_UNISSUED;
    return code;
}

/* ---- doubles ---- */

static bool beside(const struct view *view, size_t a, size_t b) {
    for (size_t i = 0; i < view->naming_count; i++) {
        const struct naming_row *naming = &view->naming[i];
        if (naming->relation == NAMING_BESIDE &&
            ((naming->issue == a && naming->rid == view->issue[b].rid) ||
             (naming->issue == b && naming->rid == view->issue[a].rid))) {
            return true;
        }
    }
    return false;
}

static enum error_code cause_of(struct ledger *ledger, const struct pairs *pairs,
                                const struct issue_row *a, const struct issue_row *b,
                                enum pairs_cause *cause, struct error *err) {
    struct tag_row left[RECORD_TAGS_MAX], right[RECORD_TAGS_MAX];
    size_t left_count = 0, right_count = 0;
    bool unique = pairs->has_found && pairs->found.epc_unique;
    enum error_code code = tags_load(ledger, a->rid, left, &left_count, err);
    if (code == ERR_OK) {
        code = tags_load(ledger, b->rid, right, &right_count, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    if (tags_within(left, left_count, right, right_count, unique, false) &&
        tags_within(right, right_count, left, left_count, unique, false)) {
        *cause = PAIRS_REPEAT;
    } else {
        *cause = ledger_covers(ledger, a->at, b->at) || ledger_covers(ledger, b->at, a->at)
                     ? PAIRS_KNOWING
                     : PAIRS_UNAWARE;
    }
    return ERR_OK;
}

static enum error_code look_doubled(struct ledger *ledger, const struct pairs *pairs,
                                    struct view *view, struct error *err) {
    size_t live[CLASSIFIED_MAX], count = 0;
    enum error_code code = ERR_OK;
    if (view->out.live < 2) {
        return ERR_OK;
    }
    for (size_t i = 0; i < view->issue_count && count < CLASSIFIED_MAX; i++) {
        if (view->issue[i].live) {
            live[count++] = i;
        }
    }
    for (size_t i = 0; code == ERR_OK && i < count; i++) {
        for (size_t j = i + 1; code == ERR_OK && j < count; j++) {
            enum pairs_cause cause = PAIRS_CAUSE_NONE;
            if (beside(view, live[i], live[j])) {
                continue;
            }
            code =
                cause_of(ledger, pairs, &view->issue[live[i]], &view->issue[live[j]], &cause, err);
            view->out.state = PAIRS_DOUBLED;
            if (cause > view->out.cause) {
                view->out.cause = cause;
            }
        }
    }
    return code;
}

/* ---- crossed settlings ---- */

/* The naming that alone ends each issue, where that is a void: decisive is who ends an issue that
 * nothing else would have ended. At most CLASSIFIED_MAX, by the ids of the issues. */
static size_t look_decisive(struct view *view, const struct naming_row **decisive) {
    size_t count = 0;
    for (size_t i = 0; i < view->naming_count; i++) {
        const struct naming_row *naming = &view->naming[i];
        struct issue_row *issue = &view->issue[naming->issue];
        if (naming->counted && naming->relation != NAMING_BESIDE) {
            issue->enders++;
            issue->ender = naming;
        }
    }
    for (size_t i = 0; i < view->issue_count && count < CLASSIFIED_MAX; i++) {
        const struct issue_row *issue = &view->issue[i];
        if (issue->counted && issue->enders == 1 && issue->ender->relation == NAMING_VOIDED) {
            decisive[count++] = issue->ender;
        }
    }
    return count;
}

/* Two voids by different keys, neither of which had seen the other, that together left nothing. */
static void look_crossed(struct ledger *ledger, struct view *view) {
    const struct naming_row *decisive[CLASSIFIED_MAX];
    if (view->out.state != PAIRS_EMPTIED) {
        return;
    }
    size_t count = look_decisive(view, decisive);
    for (size_t i = 0; i < count; i++) {
        for (size_t j = i + 1; j < count && !view->out.crossed; j++) {
            const struct naming_row *a = decisive[i], *b = decisive[j];
            view->out.crossed = !ID_EQUAL(a->key, b->key) && !ledger_covers(ledger, a->at, b->at) &&
                                !ledger_covers(ledger, b->at, a->at);
        }
    }
}

/* ---- writing ---- */

static enum error_code contest(struct ledger *ledger, const struct view *view, uint32_t chain,
                               struct error *err) {
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_CONTEST_INSERT, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_u64(statement, 1, chain);
    sqlite3_bind_text(statement, 2, view->out.bib.text, -1, SQLITE_STATIC);
    return ledger_run(ledger, statement, err);
}

/* Notes whose clocks this bib's state hangs on, so that it is derived again when they gain. */
static enum error_code write_contest(struct ledger *ledger, const struct view *view, bool known,
                                     struct error *err) {
    enum error_code code = ERR_OK;
    if (known) {
        sqlite3_stmt *statement = ledger_statement(ledger, SQL_CONTEST_CLEAR, err);
        if (statement == NULL) {
            return err->code;
        }
        sqlite3_bind_text(statement, 1, view->out.bib.text, -1, SQLITE_STATIC);
        code = ledger_run(ledger, statement, err);
    }
    bool doubled = view->out.state == PAIRS_DOUBLED, emptied = view->out.state == PAIRS_EMPTIED;
    for (size_t i = 0; code == ERR_OK && doubled && i < view->issue_count; i++) {
        if (view->issue[i].live) {
            code = contest(ledger, view, view->issue[i].at.chain, err);
        }
    }
    for (size_t i = 0; code == ERR_OK && emptied && i < view->naming_count; i++) {
        if (view->naming[i].relation == NAMING_VOIDED) {
            code = contest(ledger, view, view->naming[i].at.chain, err);
        }
    }
    return code;
}

static enum error_code write_live(struct ledger *ledger, struct pairs *pairs,
                                  const struct issue_row *issue, struct error *err) {
    struct tag_row tags[RECORD_TAGS_MAX];
    size_t count = 0;
    if (issue->live == issue->was_live) {
        return ERR_OK;
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_ISSUE_UPDATE, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int64(statement, 1, issue->rid);
    sqlite3_bind_int(statement, 2, issue->live);
    enum error_code code = ledger_run(ledger, statement, err);
    if (code == ERR_OK) {
        code = tags_load(ledger, issue->rid, tags, &count, err);
    }
    for (size_t i = 0; code == ERR_OK && i < count; i++) {
        struct tag_key key;
        bool room_left = true;
        if (pairs->has_found && pairs->found.epc_unique) {
            tag_key_epc(&tags[i].epc, &key);
            room_left = dirty_add(&pairs->tags, &key);
        }
        if (tags[i].tid.size > 0) {
            tag_key_tid(&tags[i].tid, &key);
            room_left = dirty_add(&pairs->tags, &key) && room_left;
        }
        if (!room_left) {
            code = error_set(err, ERR_MEMORY, "touched tags");
        }
    }
    return code;
}

static bool canonical_bib(const struct view *view, struct buffer *row) {
    canon_put_array(row, 7);
    canon_put_uint(row, 1);
    canon_put_text(row, slice_text(view->out.bib.text));
    canon_put_uint(row, view->out.state);
    canon_put_uint(row, view->out.cause);
    canon_put_bool(row, view->out.doubt);
    canon_put_bool(row, view->out.crossed);
    canon_put_array(row, view->issue_count);
    for (size_t i = 0; i < view->issue_count; i++) {
        canon_put_array(row, 3);
        canon_put_bytes(row, slice_of(view->issue[i].id.bytes, sizeof view->issue[i].id.bytes));
        canon_put_bool(row, view->issue[i].counted);
        canon_put_bool(row, view->issue[i].live);
    }
    return !row->failed;
}

static enum error_code write_bib(struct ledger *ledger, struct pairs *pairs, struct view *view,
                                 struct error *err) {
    struct digest64 hash = {{0}};
    struct buffer row;
    bool known = false;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_BIB_GET, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_text(statement, 1, view->out.bib.text, -1, SQLITE_STATIC);
    enum error_code code = ledger_row(ledger, statement, &known, err);
    if (code != ERR_OK) {
        return code;
    }
    if (known && !sql_column_bytes(statement, 5, hash.bytes, sizeof hash.bytes)) {
        code = error_set(err, ERR_DAMAGED, "table bib");
    }
    sqlite3_reset(statement);
    buffer_init(&row);
    if (code == ERR_OK && !canonical_bib(view, &row)) {
        code = error_set(err, ERR_MEMORY, "a bib's row");
    }
    if (code == ERR_OK) {
        pairs_row(pairs, buffer_slice(&row), &hash);
    }
    buffer_release(&row);
    if (code == ERR_OK) {
        code = write_contest(ledger, view, known, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    statement = ledger_statement(ledger, SQL_BIB_SET, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_text(statement, 1, view->out.bib.text, -1, SQLITE_STATIC);
    sqlite3_bind_int(statement, 2, (int)view->out.state);
    sqlite3_bind_int(statement, 3, (int)view->out.cause);
    sqlite3_bind_int(statement, 4, view->out.doubt);
    sqlite3_bind_int(statement, 5, view->out.crossed);
    sql_bind_u64(statement, 6, view->out.live);
    sql_bind_bytes(statement, 7, hash.bytes, sizeof hash.bytes);
    return ledger_run(ledger, statement, err);
}

enum error_code derive_bib(struct ledger *ledger, struct pairs *pairs, const struct bib *bib,
                           struct error *err) {
    struct view view = {.out.bib = *bib};
    enum error_code code = load(ledger, &view, err);
    if (code == ERR_OK && view.issue_count > 0) {
        code = look_live(ledger, pairs, &view, err);
        if (code == ERR_OK) {
            code = look_doubled(ledger, pairs, &view, err);
        }
        if (code == ERR_OK) {
            look_crossed(ledger, &view);
        }
        for (size_t i = 0; code == ERR_OK && i < view.issue_count; i++) {
            code = write_live(ledger, pairs, &view.issue[i], err);
        }
        if (code == ERR_OK) {
            code = write_bib(ledger, pairs, &view, err);
        }
    }
    free(view.issue);
    free(view.naming);
    return code;
}
