/*
 * encoder_process.h: a child process with three pipes: started, ended and reaped, without waiting.
 *
 * The child gets the pipes, the signals as they were, a process group of its own, and nothing else
 * that is open here. It is ended and reaped by its own id. One thread.
 */
#ifndef BIBWEAVE_ENCODER_PROCESS_H
#define BIBWEAVE_ENCODER_PROCESS_H

#include "common/error.h"

#include <sys/types.h>

struct encoder_process {
    pid_t pid;        /* 0: none */
    int in, out, err; /* our ends, non-blocking; -1: closed */
};

/* Nothing started. */
void encoder_process_init(struct encoder_process *process) __attribute__((nonnull));
/* Starts `path` with `words` (NULL-terminated, the first is its name).
 * Errors: ERR_PERMISSION (no such program, no more processes or descriptors); nothing started. */
enum error_code encoder_process_start(struct encoder_process *process, const char *path,
                                      char *const *words, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Whether it has ended; if so it is reaped, what it left in its group is killed, and *status is
 * filled as by waitpid. Never waits. */
bool encoder_process_ended(struct encoder_process *process, int *status) __attribute__((nonnull));
/* Closes the pipe to its standard input: that tells it to end. */
void encoder_process_hang_up(struct encoder_process *process) __attribute__((nonnull));
/* Kills its group and closes the pipes; it is reaped later, by encoder_process_ended. */
void encoder_process_kill(struct encoder_process *process) __attribute__((nonnull));
/* Hangs up, waits at most `patience_ms`, kills, and reaps; for the end of the node. */
void encoder_process_finish(struct encoder_process *process, long patience_ms)
    __attribute__((nonnull));

#endif
