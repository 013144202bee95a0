/*
 * asks.c: requests from the control socket to verbs, and answers back. It must never answer before
 * a verb has returned, nor keep a verb's call after its asker has gone.
 */
#include "node/asks.h"

#include <stdlib.h>
#include <string.h>

#include "node/copy.h"

/* A verb that goes on in steps; `call` points into the request that `control` keeps. */
struct running {
    struct running *next;
    uint64_t connection;
    struct verb_call call;
};
struct asks {
    struct asks_config config;
    struct control *control;
    struct copies *copies;
    struct running *first; /* in turn: who has had a step goes to the end */
};

enum error_code asks_new(const struct asks_config *config, struct asks **out, struct error *err) {
    struct asks *asks = calloc(1, sizeof *asks);
    *out = NULL;
    if (asks == NULL) {
        return error_set(err, ERR_MEMORY, "control socket");
    }
    asks->config = *config;
    if (copy_new(config->dir, config->station->ledger, &asks->copies, err) != ERR_OK ||
        control_listen(config->dir, &asks->control, err) != ERR_OK) {
        asks_free(asks);
        return err->code;
    }
    *out = asks;
    return ERR_OK;
}

static void free_running(struct running *running) {
    if (running->call.job != NULL) {
        running->call.job->free(running->call.job);
    }
    buffer_release(&running->call.out);
    buffer_release(&running->call.err);
    free(running);
}

void asks_free(struct asks *asks) {
    if (asks == NULL) {
        return;
    }
    while (asks->first != NULL) {
        struct running *running = asks->first;
        asks->first = running->next;
        free_running(running);
    }
    copy_free(asks->copies);
    control_close(asks->control);
    free(asks);
}

size_t asks_poll(const struct asks *asks, zmq_pollitem_t *items, size_t max) {
    size_t count = control_poll(asks->control, items, max);
    return count + copy_poll(asks->copies, items + count, max - count);
}

struct mono_ms asks_deadline(const struct asks *asks) {
    return control_deadline(asks->control);
}

bool asks_waiting(const struct asks *asks) {
    return asks->first != NULL || copy_due(asks->copies);
}

/* ---- answers ---- */

static void answer(struct asks *asks, uint64_t connection, const struct verb_call *call) {
    if (call->out.failed || call->err.failed) {
        control_answer(asks->control, connection, ERROR_CLASS_MACHINE, slice_of("", 0),
                       slice_text("This machine is out of memory: what was asked may have been "
                                  "done, look before you do it again.\n"));
        return;
    }
    control_answer(asks->control, connection, call->status, buffer_slice(&call->out),
                   buffer_slice(&call->err));
}

static void refuse(struct asks *asks, const struct control_request *request,
                   const struct error *err) {
    struct verb_call call = {.json = request->json};
    buffer_init(&call.out);
    buffer_init(&call.err);
    verb_fail(&call, err);
    answer(asks, request->connection, &call);
    buffer_release(&call.out);
    buffer_release(&call.err);
}

/* ---- askers who are gone ---- */

static void drop_gone(struct asks *asks) {
    uint64_t connections[COPY_QUEUE_MAX + 1];
    for (struct running **at = &asks->first; *at != NULL;) {
        struct running *running = *at;
        if (control_alive(asks->control, running->connection)) {
            at = &running->next;
        } else {
            *at = running->next;
            free_running(running);
        }
    }
    size_t count =
        copy_connections(asks->copies, connections, sizeof connections / sizeof connections[0]);
    for (size_t i = 0; i < count; i++) {
        if (!control_alive(asks->control, connections[i])) {
            copy_cancel(asks->copies, connections[i]);
        }
    }
}

void asks_read(struct asks *asks, struct mono_ms now) {
    struct copy_answer done;
    control_step(asks->control, now);
    drop_gone(asks);
    copy_read(asks->copies);
    while (copy_next(asks->copies, &done)) {
        control_answer(asks->control, done.connection, done.status, done.out, done.err);
    }
}

/* ---- verbs ---- */

static enum asks_done finish(struct asks *asks, struct running *running) {
    enum asks_done done =
        running->call.status >= (int)ERROR_CLASS_MACHINE ? ASKS_TROUBLE : ASKS_DONE;
    answer(asks, running->connection, &running->call);
    free_running(running);
    return done;
}

static void queue(struct asks *asks, struct running *running) {
    struct running **end = &asks->first;
    while (*end != NULL) {
        end = &(*end)->next;
    }
    running->next = NULL;
    *end = running;
}

static enum asks_done run(struct asks *asks, const struct verb *verb,
                          const struct control_request *request) {
    struct error err;
    struct running *running = calloc(1, sizeof *running);
    if (running == NULL) {
        error_set(&err, ERR_MEMORY, "%s", verb->name);
        refuse(asks, request, &err);
        return ASKS_DONE;
    }
    running->connection = request->connection;
    running->call = (struct verb_call){
        .arguments = request->arguments,
        .argument_count = request->argument_count,
        .json = request->json,
        .cwd = request->cwd,
        .seed = request->secret,
        .dir = asks->config.dir,
        .station = asks->config.station,
        .sync = asks->config.sync,
        .table = asks->config.table,
    };
    buffer_init(&running->call.out);
    buffer_init(&running->call.err);
    verb->act(&running->call);
    if (running->call.job == NULL) {
        return finish(asks, running);
    }
    queue(asks, running);
    return ASKS_DONE;
}

enum asks_done asks_serve(struct asks *asks) {
    struct control_request request;
    struct error err;
    if (!control_next(asks->control, &request)) {
        return ASKS_NOTHING;
    }
    const struct verb *verb = verb_find(request.verb);
    if (verb != NULL && verb->needs == VERB_STATION) {
        return run(asks, verb, &request);
    }
    if (verb == NULL) {
        error_set(&err, ERR_USAGE, "no command \"%.60s\" in the running node", request.verb);
        error_say(&err, "The node that runs here is of another version of this program: end it "
                        "and start it again.");
    } else if (verb->needs == VERB_COPY) {
        if (copy_add(asks->copies, &request, &err) == ERR_OK) {
            return ASKS_DONE;
        }
    } else {
        error_set(&err, ERR_BUSY, "a node runs on this folder");
        error_say(&err, "A node runs on this folder already: end it first.");
    }
    refuse(asks, &request, &err);
    return ASKS_DONE;
}

enum asks_done asks_work(struct asks *asks) {
    enum asks_done done = ASKS_NOTHING;
    struct running *running = asks->first;
    if (running != NULL) {
        asks->first = running->next;
        done = ASKS_DONE;
        if (running->call.job->step(running->call.job)) {
            queue(asks, running);
        } else {
            done = finish(asks, running);
        }
    }
    if (copy_due(asks->copies)) {
        copy_step(asks->copies);
        done = done == ASKS_NOTHING ? ASKS_DONE : done;
    }
    return done;
}
