/*
 * pairs_standing.c: who is who: what the admits and retires that count make of each key.
 *
 * The root's records count first, then the leads', then the rest's, so that the answer does not
 * depend on the order in which they came. Only the root admits or retires leads. A key's role is
 * the highest that a counted admit gives; a counted retire is final.
 */
#include "common/pairs_state.h"

#include "common/canon.h"

#include <stdlib.h>
#include <string.h>

/* Rows of tables admit and retire, with where they stand. */
struct claim_row {
    int64_t rid;
    struct sign_public author, key;
    struct curve_public curve;
    char name[RECORD_TEXT_MAX + 1];
    int value; /* role, or how */
    struct record_id id;
    struct clock_position at;
};
struct claim_rows {
    struct claim_row *item;
    size_t count, capacity;
};

static enum error_code read_claims(struct ledger *ledger, const char *sql, struct claim_rows *rows,
                                   struct error *err) {
    sqlite3_stmt *statement = NULL;
    bool row = true;
    enum error_code code;
    if (sqlite3_prepare_v2(ledger->db, sql, -1, &statement, NULL) != SQLITE_OK) {
        return ledger_sql_error(ledger, "reading who is admitted", err);
    }
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        if (rows->count == rows->capacity) {
            size_t wanted = rows->capacity == 0 ? 32 : rows->capacity * 2;
            struct claim_row *grown = realloc(rows->item, wanted * sizeof *grown);
            if (grown == NULL) {
                code = error_set(err, ERR_MEMORY, "who is admitted");
                break;
            }
            rows->item = grown;
            rows->capacity = wanted;
        }
        struct claim_row *item = &rows->item[rows->count];
        memset(item, 0, sizeof *item);
        item->rid = sqlite3_column_int64(statement, 0);
        item->value = sqlite3_column_int(statement, 3);
        item->at.chain = (uint32_t)sqlite3_column_int(statement, 5);
        item->at.number = sql_column_u64(statement, 6);
        const char *name = sqlite3_column_blob(statement, 8);
        if (name != NULL) {
            sqlite3_snprintf((int)sizeof item->name, item->name, "%.*s",
                             sqlite3_column_bytes(statement, 8), name);
        }
        if (!sql_column_bytes(statement, 1, &item->author, sizeof item->author) ||
            !sql_column_bytes(statement, 2, &item->key, sizeof item->key) ||
            !sql_column_bytes(statement, 4, &item->id, sizeof item->id) ||
            item->at.chain >= ledger->tree.count) {
            code = error_set(err, ERR_DAMAGED, "table admit or retire");
            break;
        }
        (void)sql_column_bytes(statement, 7, &item->curve, sizeof item->curve);
        rows->count++;
    }
    sqlite3_finalize(statement);
    return code;
}

static bool same_key(const struct sign_public *a, const struct sign_public *b) {
    return ID_EQUAL(*a, *b);
}

const struct standing *standing_of(const struct pairs *pairs, const struct sign_public *key) {
    size_t low = 0, high = pairs->standing_count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        int order = memcmp(pairs->standing[middle].key.bytes, key->bytes, sizeof key->bytes);
        if (order == 0) {
            return &pairs->standing[middle];
        }
        if (order < 0) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    return NULL;
}

enum role standing_role(const struct ledger *ledger, const struct pairs *pairs,
                        const struct sign_public *key) {
    if (same_key(key, &ledger->event.root)) {
        return ROLE_ROOT;
    }
    const struct standing *standing = standing_of(pairs, key);
    return standing == NULL ? ROLE_NONE : standing->role;
}

/* A stolen station's record counts if, for each retire that says so, it lies on the chain of a
 * head that this retire names: the earliest of several cut-offs wins. */
static bool within_cutoffs(struct ledger *ledger, const struct standing_cutoff *cutoff,
                           size_t count, const struct sign_public *key, struct clock_position at) {
    for (size_t i = 0; i < count; i++) {
        bool first =
            same_key(&cutoff[i].key, key) && (i == 0 || cutoff[i].retire != cutoff[i - 1].retire);
        if (!first) {
            continue;
        }
        bool inside = false;
        for (size_t j = i; j < count && cutoff[j].retire == cutoff[i].retire && !inside; j++) {
            struct clock_position head;
            inside = !cutoff[j].none && ledger_position(ledger, &cutoff[j].head, &head) &&
                     clock_descends(&ledger->tree, head, at);
        }
        if (!inside) {
            return false;
        }
    }
    return true;
}

bool standing_counts(struct ledger *ledger, const struct pairs *pairs,
                     const struct sign_public *key, struct clock_position at, enum role role) {
    if (same_key(key, &ledger->event.root)) {
        return true;
    }
    const struct standing *standing = standing_of(pairs, key);
    if (standing == NULL || standing->role < role) {
        return false;
    }
    return standing->retired != RETIRED_STOLEN ||
           within_cutoffs(ledger, pairs->cutoff, pairs->cutoff_count, key, at);
}

/* ---- building ---- */

struct build {
    struct claim_rows admits, retires;
    struct standing *standing;
    size_t count;
    struct standing_cutoff *cutoff;
    size_t cutoff_count, cutoff_capacity;
};

static struct standing *find_or_add(struct build *build, const struct sign_public *key) {
    for (size_t i = 0; i < build->count; i++) {
        if (same_key(&build->standing[i].key, key)) {
            return &build->standing[i];
        }
    }
    struct standing *standing = &build->standing[build->count++];
    memset(standing, 0, sizeof *standing);
    standing->key = *key;
    return standing;
}

/* Of several admits the highest role names the station; among equals the smallest record id. */
static void apply_admit(struct standing *standing, const struct claim_row *admit, enum role role) {
    bool better = standing->admit_rid == 0 || role > standing->role ||
                  (role == standing->role &&
                   memcmp(admit->id.bytes, standing->admit_id.bytes, sizeof admit->id.bytes) < 0);
    if (!better) {
        return;
    }
    standing->role = role;
    standing->curve = admit->curve;
    memcpy(standing->name, admit->name, sizeof standing->name);
    standing->admit_rid = admit->rid;
    standing->admit_id = admit->id;
}

static enum error_code add_cutoffs(struct ledger *ledger, struct build *build,
                                   const struct claim_row *retire, struct error *err) {
    struct buffer raw;
    struct record record;
    struct record_retire body;
    buffer_init(&raw);
    enum error_code code = ledger_record(ledger, retire->rid, &raw, &record, err);
    if (code == ERR_OK && !record_retire_read(record.body, &body)) {
        code = error_set(err, ERR_DAMAGED, "record %lld is no retire", (long long)retire->rid);
    }
    size_t rows = code == ERR_OK && body.cutoff_count > 0 ? body.cutoff_count : 1;
    if (code == ERR_OK && build->cutoff_count + rows > build->cutoff_capacity) {
        size_t wanted = (build->cutoff_count + rows) * 2;
        struct standing_cutoff *grown = realloc(build->cutoff, wanted * sizeof *grown);
        if (grown == NULL) {
            code = error_set(err, ERR_MEMORY, "who is retired");
        } else {
            build->cutoff = grown;
            build->cutoff_capacity = wanted;
        }
    }
    for (size_t i = 0; code == ERR_OK && i < rows; i++) {
        struct standing_cutoff *cutoff = &build->cutoff[build->cutoff_count++];
        *cutoff = (struct standing_cutoff){
            .key = retire->key, .retire = retire->rid, .none = body.cutoff_count == 0};
        if (!cutoff->none) {
            cutoff->head = body.cutoff[i].id;
        }
    }
    buffer_release(&raw);
    return code;
}

static enum error_code apply_retire(struct ledger *ledger, struct build *build,
                                    const struct claim_row *retire, struct error *err) {
    struct standing *standing = find_or_add(build, &retire->key);
    if (standing->retired < retire->value) {
        standing->retired = retire->value;
    }
    return retire->value == RETIRED_STOLEN ? add_cutoffs(ledger, build, retire, err) : ERR_OK;
}

/* The root's word first. */
static enum error_code build_from_root(struct ledger *ledger, struct build *build,
                                       struct error *err) {
    enum error_code code = ERR_OK;
    for (size_t i = 0; i < build->admits.count; i++) {
        const struct claim_row *admit = &build->admits.item[i];
        if (same_key(&admit->author, &ledger->event.root)) {
            apply_admit(find_or_add(build, &admit->key), admit, (enum role)admit->value);
        }
    }
    for (size_t i = 0; code == ERR_OK && i < build->retires.count; i++) {
        if (same_key(&build->retires.item[i].author, &ledger->event.root)) {
            code = apply_retire(ledger, build, &build->retires.item[i], err);
        }
    }
    return code;
}

static bool is_lead(struct build *build, const struct sign_public *key) {
    return find_or_add(build, key)->role == ROLE_LEAD;
}

/* Whether a lead's record counts; `cutoff_count` is how many the root's retires gave. */
static bool lead_counts(struct ledger *ledger, struct build *build, size_t cutoff_count,
                        const struct claim_row *row) {
    return !same_key(&row->author, &ledger->event.root) && is_lead(build, &row->author) &&
           within_cutoffs(ledger, build->cutoff, cutoff_count, &row->author, row->at);
}

/* Then the leads': they admit and retire tables and readers, never leads. */
static enum error_code build_from_leads(struct ledger *ledger, struct build *build,
                                        struct error *err) {
    enum error_code code = ERR_OK;
    size_t cutoff_count = build->cutoff_count;
    for (size_t i = 0; i < build->admits.count; i++) {
        const struct claim_row *admit = &build->admits.item[i];
        struct standing *standing = find_or_add(build, &admit->key);
        if (admit->value <= ROLE_TABLE && standing->role != ROLE_LEAD &&
            lead_counts(ledger, build, cutoff_count, admit)) {
            apply_admit(standing, admit, (enum role)admit->value);
        }
    }
    for (size_t i = 0; code == ERR_OK && i < build->retires.count; i++) {
        const struct claim_row *retire = &build->retires.item[i];
        if (!is_lead(build, &retire->key) && !same_key(&retire->key, &ledger->event.root) &&
            lead_counts(ledger, build, cutoff_count, retire)) {
            code = apply_retire(ledger, build, retire, err);
        }
    }
    return code;
}

static int compare_standings(const void *a, const void *b) {
    const struct standing *left = a, *right = b;
    return memcmp(left->key.bytes, right->key.bytes, sizeof left->key.bytes);
}

static int compare_cutoffs(const void *a, const void *b) {
    const struct standing_cutoff *left = a, *right = b;
    return left->retire < right->retire ? -1 : left->retire > right->retire;
}

/* ---- rows ---- */

static enum error_code write_station(struct ledger *ledger, struct pairs *pairs,
                                     struct standing *standing, struct error *err) {
    struct buffer row;
    buffer_init(&row);
    canon_put_array(&row, 6);
    canon_put_uint(&row, 2);
    canon_put_bytes(&row, slice_of(standing->key.bytes, sizeof standing->key.bytes));
    canon_put_bytes(&row, slice_of(standing->curve.bytes, sizeof standing->curve.bytes));
    canon_put_text(&row, slice_text(standing->name));
    canon_put_uint(&row, standing->role);
    canon_put_uint(&row, (uint64_t)standing->retired);
    if (row.failed) {
        buffer_release(&row);
        return error_set(err, ERR_MEMORY, "a station's row");
    }
    pairs_row(pairs, buffer_slice(&row), &standing->hash);
    buffer_release(&row);
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_STATION_SET, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, standing->key.bytes, sizeof standing->key.bytes);
    sql_bind_bytes(statement, 2, standing->curve.bytes, sizeof standing->curve.bytes);
    sqlite3_bind_text(statement, 3, standing->name, -1, SQLITE_STATIC);
    sqlite3_bind_int(statement, 4, (int)standing->role);
    sqlite3_bind_int(statement, 5, standing->retired);
    if (standing->admit_rid != 0) {
        sqlite3_bind_int64(statement, 6, standing->admit_rid);
    }
    sql_bind_bytes(statement, 7, standing->hash.bytes, sizeof standing->hash.bytes);
    return ledger_run(ledger, statement, err);
}

/* Whether the cut-offs of a key are the same in two sets. */
static bool same_cutoffs(const struct pairs *pairs, const struct build *build,
                         const struct sign_public *key) {
    size_t old = 0, new = 0;
    for (size_t i = 0; i < pairs->cutoff_count; i++) {
        old += same_key(&pairs->cutoff[i].key, key);
    }
    for (size_t i = 0; i < build->cutoff_count; i++) {
        new += same_key(&build->cutoff[i].key, key);
    }
    return old == new; /* retires only come, never go: equal counts are equal sets */
}

static bool same_standing(const struct standing *a, const struct standing *b) {
    return a->role == b->role && a->retired == b->retired && ID_EQUAL(a->curve, b->curve) &&
           strcmp(a->name, b->name) == 0 && a->admit_rid == b->admit_rid;
}

/* Compares with what was before, notes the keys that changed, and writes their rows. While the
 * state is only loaded (no transaction) the hashes come from the table and nothing differs. */
static enum error_code compare_and_write(struct ledger *ledger, struct pairs *pairs,
                                         struct build *build, struct error *err) {
    for (size_t i = 0; i < build->count; i++) {
        struct standing *now = &build->standing[i];
        const struct standing *before = standing_of(pairs, &now->key);
        if (before != NULL) {
            now->hash = before->hash;
        }
        bool same = before != NULL && same_standing(before, now);
        if (same && same_cutoffs(pairs, build, &now->key)) {
            continue;
        }
        if (!dirty_add(&pairs->keys, &now->key)) {
            return error_set(err, ERR_MEMORY, "changed stations");
        }
        if (!same && ledger->in_transaction) {
            enum error_code code = write_station(ledger, pairs, now, err);
            if (code != ERR_OK) {
                return code;
            }
        }
    }
    return ERR_OK;
}

static enum error_code load_hashes(struct ledger *ledger, struct build *build, struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_STATION_ALL, err);
    if (statement == NULL) {
        return err->code;
    }
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        struct sign_public key;
        if (!sql_column_bytes(statement, 0, &key, sizeof key)) {
            continue;
        }
        for (size_t i = 0; i < build->count; i++) {
            if (same_key(&build->standing[i].key, &key)) {
                (void)sql_column_bytes(statement, 5, build->standing[i].hash.bytes,
                                       sizeof build->standing[i].hash.bytes);
            }
        }
    }
    return code;
}

static enum error_code build_all(struct ledger *ledger, struct build *build, struct error *err) {
    enum error_code code =
        read_claims(ledger,
                    "SELECT a.rid, a.author, a.key, a.role, r.id, r.chain, r.number, a.curve,"
                    " a.name FROM admit a JOIN record r ON r.rid = a.rid ORDER BY a.rid",
                    &build->admits, err);
    if (code == ERR_OK) {
        code = read_claims(ledger,
                           "SELECT t.rid, t.author, t.key, t.how, r.id, r.chain, r.number, NULL,"
                           " NULL FROM retire t JOIN record r ON r.rid = t.rid ORDER BY t.rid",
                           &build->retires, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    /* At most one standing for each key, author or target, that any row names. */
    build->standing =
        calloc(2 * (build->admits.count + build->retires.count) + 1, sizeof *build->standing);
    if (build->standing == NULL) {
        return error_set(err, ERR_MEMORY, "who is admitted");
    }
    code = build_from_root(ledger, build, err);
    return code == ERR_OK ? build_from_leads(ledger, build, err) : code;
}

/* Keys that only a retire or an uncounted author names have no station row until an admit does. */
static void drop_unnamed(struct build *build) {
    size_t kept = 0;
    for (size_t i = 0; i < build->count; i++) {
        bool named = false;
        for (size_t j = 0; j < build->admits.count && !named; j++) {
            named = same_key(&build->admits.item[j].key, &build->standing[i].key);
        }
        if (named) {
            build->standing[kept++] = build->standing[i];
        }
    }
    build->count = kept;
}

enum error_code standing_update(struct ledger *ledger, struct pairs *pairs, struct error *err) {
    struct build build = {0};
    enum error_code code = build_all(ledger, &build, err);
    if (code == ERR_OK) {
        drop_unnamed(&build);
        qsort(build.standing, build.count, sizeof *build.standing, compare_standings);
        if (build.cutoff_count > 1) {
            qsort(build.cutoff, build.cutoff_count, sizeof *build.cutoff, compare_cutoffs);
        }
        code = pairs->standing == NULL && !ledger->in_transaction
                   ? load_hashes(ledger, &build, err)
                   : compare_and_write(ledger, pairs, &build, err);
    }
    if (code == ERR_OK) {
        free(pairs->standing);
        free(pairs->cutoff);
        pairs->standing = build.standing;
        pairs->standing_count = build.count;
        pairs->cutoff = build.cutoff;
        pairs->cutoff_count = build.cutoff_count;
        pairs->standing_dirty = false;
        pairs->standing_epoch++;
    } else {
        free(build.standing);
        free(build.cutoff);
    }
    free(build.admits.item);
    free(build.retires.item);
    return code;
}
