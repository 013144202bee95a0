/*
 * encoder_process.c: see encoder_process.h. Must never leave a descriptor of the node open in the
 * child, nor signal a process id that may already be somebody else's.
 */
#include "node/encoder_process.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

static void close_fd(int *fd) {
    if (*fd >= 0) {
        close(*fd);
        *fd = -1;
    }
}

static void close_pipes(struct encoder_process *process) {
    close_fd(&process->in);
    close_fd(&process->out);
    close_fd(&process->err);
}

void encoder_process_init(struct encoder_process *process) {
    *process = (struct encoder_process){.in = -1, .out = -1, .err = -1};
}

/* A group of its own, so that a shell's children end with it, and Ctrl-C at the node's terminal
 * does not reach it before the node has told it to end. */
static int set_attributes(posix_spawnattr_t *attributes) {
    sigset_t none, restored;
    sigemptyset(&none);
    sigemptyset(&restored);
    sigaddset(&restored, SIGPIPE);
    short flags = POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF | POSIX_SPAWN_SETPGROUP;
    int rc = posix_spawnattr_setsigmask(attributes, &none);
    rc = rc != 0 ? rc : posix_spawnattr_setsigdefault(attributes, &restored);
    rc = rc != 0 ? rc : posix_spawnattr_setpgroup(attributes, 0);
    return rc != 0 ? rc : posix_spawnattr_setflags(attributes, flags);
}

static int spawn(struct encoder_process *process, const char *path, char *const *words, int in,
                 int out, int err) {
    posix_spawn_file_actions_t actions;
    posix_spawnattr_t attributes;
    if (posix_spawn_file_actions_init(&actions) != 0) {
        return ENOMEM;
    }
    if (posix_spawnattr_init(&attributes) != 0) {
        posix_spawn_file_actions_destroy(&actions);
        return ENOMEM;
    }
    int rc = posix_spawn_file_actions_adddup2(&actions, in, STDIN_FILENO);
    rc = rc != 0 ? rc : posix_spawn_file_actions_adddup2(&actions, out, STDOUT_FILENO);
    rc = rc != 0 ? rc : posix_spawn_file_actions_adddup2(&actions, err, STDERR_FILENO);
    rc = rc != 0 ? rc : posix_spawn_file_actions_addclosefrom_np(&actions, STDERR_FILENO + 1);
    rc = rc != 0 ? rc : set_attributes(&attributes);
    rc = rc != 0 ? rc : posix_spawn(&process->pid, path, &actions, &attributes, words, environ);
    if (rc != 0) {
        process->pid = 0;
    }
    posix_spawnattr_destroy(&attributes);
    posix_spawn_file_actions_destroy(&actions);
    return rc;
}

enum error_code encoder_process_start(struct encoder_process *process, const char *path,
                                      char *const *words, struct error *err) {
    int in[2] = {-1, -1}, out[2] = {-1, -1}, say[2] = {-1, -1};
    encoder_process_init(process);
    int rc = pipe2(in, O_CLOEXEC) == 0 && pipe2(out, O_CLOEXEC) == 0 && pipe2(say, O_CLOEXEC) == 0
                 ? spawn(process, path, words, in[0], out[1], say[1])
                 : errno;
    close_fd(&in[0]);
    close_fd(&out[1]);
    close_fd(&say[1]);
    process->in = in[1];
    process->out = out[0];
    process->err = say[0];
    if (rc == 0 && (fcntl(process->in, F_SETFL, O_NONBLOCK) != 0 ||
                    fcntl(process->out, F_SETFL, O_NONBLOCK) != 0 ||
                    fcntl(process->err, F_SETFL, O_NONBLOCK) != 0)) {
        rc = errno;
        encoder_process_kill(process);
    }
    if (rc != 0) {
        close_pipes(process);
        return error_set(err, ERR_PERMISSION, "%.100s: %s", path, strerror(rc));
    }
    return ERR_OK;
}

bool encoder_process_ended(struct encoder_process *process, int *status) {
    siginfo_t info = {0};
    if (process->pid <= 0) {
        return false;
    }
    /* Looked at first and reaped after: until then its id, and so its group's, cannot be anybody
     * else's. */
    if (waitid(P_PID, (id_t)process->pid, &info, WEXITED | WNOHANG | WNOWAIT) == 0 &&
        info.si_pid == 0) {
        return false;
    }
    kill(-process->pid, SIGKILL);
    if (waitpid(process->pid, status, WNOHANG) != process->pid) {
        *status = 0;
    }
    process->pid = 0;
    return true;
}

void encoder_process_hang_up(struct encoder_process *process) {
    close_fd(&process->in);
}

void encoder_process_kill(struct encoder_process *process) {
    if (process->pid > 0) {
        kill(-process->pid, SIGKILL);
        kill(process->pid, SIGKILL); /* should it not have come to its group yet */
    }
    close_pipes(process);
}

static bool ends_within(struct encoder_process *process, long patience_ms) {
    enum { STEP_MS = 5 };
    const struct timespec step = {.tv_nsec = STEP_MS * 1000000L};
    int status = 0;
    while (process->pid > 0 && !encoder_process_ended(process, &status)) {
        if (patience_ms <= 0) {
            return false;
        }
        nanosleep(&step, NULL);
        patience_ms -= STEP_MS;
    }
    return true;
}

void encoder_process_finish(struct encoder_process *process, long patience_ms) {
    encoder_process_hang_up(process);
    if (!ends_within(process, patience_ms)) {
        encoder_process_kill(process);
        ends_within(process, patience_ms); /* else the system has it: nothing more can be done */
    }
    close_pipes(process);
}
