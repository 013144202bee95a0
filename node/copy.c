/*
 * copy.c: the copy, the child, and the queue before them. It must never wait for the child, and
 * never let it see the folder's lock or a socket of the node.
 */
#include "node/copy.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "node/station.h"

enum { COPY_PAGES = 64, COPY_PATH_MAX = 4096 + 64, COPY_VERB_WORDS = 2 };

/* Files in memory. Only for a copy that the folder's disk has no room for: on the day the disk is
 * full, `carry out` must still work. */
#define COPY_MEMORY "/dev/shm"

enum state { IDLE, COPYING, RUNNING, DONE };

struct command {
    struct command *next;
    uint64_t connection;
    bool json;
    char *verb, *cwd;
    size_t argument_count;
    char **arguments;
};
struct copies {
    char dir[4096];
    struct ledger *ledger;
    struct command *first; /* the one in hand, unless IDLE, then those that wait */
    enum state state;
    unsigned long last;
    char path[COPY_PATH_MAX];
    char memory_prefix[32]; /* of the names of this folder's folders in COPY_MEMORY */
    char memory[64];        /* the folder there that `path` is in, or "" */
    sqlite3 *copy;
    sqlite3_backup *backup;
    pid_t child; /* 0: none */
    int out_fd, err_fd;
    int status;
    struct buffer out, err;
};

/* ---- files ---- */

static void remove_copy(const char *path) {
    static const char *const suffixes[] = {"", "-wal", "-shm", "-journal"};
    char name[COPY_PATH_MAX + 16];
    for (size_t i = 0; i < sizeof suffixes / sizeof suffixes[0]; i++) {
        snprintf(name, sizeof name, "%s%s", path, suffixes[i]);
        unlink(name);
    }
}

static bool is_copy(const char *name) {
    return strncmp(name, "copy-", 5) == 0 && strstr(name, ".db") != NULL;
}

/* Removes the copies in a folder, and says by its return whether it could be looked at. */
static bool remove_copies_in(const char *dir) {
    char path[COPY_PATH_MAX + 256];
    DIR *folder = opendir(dir);
    const struct dirent *entry = NULL;
    if (folder == NULL) {
        return false;
    }
    while ((entry = readdir(folder)) != NULL) {
        if (is_copy(entry->d_name)) {
            snprintf(path, sizeof path, "%s/%s", dir, entry->d_name);
            unlink(path);
        }
    }
    closedir(folder);
    return true;
}

/* Only folders of this user can be emptied and removed; others' are left by the system. */
static void remove_copies_in_memory(const char *prefix) {
    char path[sizeof COPY_MEMORY + 256];
    DIR *folder = opendir(COPY_MEMORY);
    const struct dirent *entry = NULL;
    while (folder != NULL && (entry = readdir(folder)) != NULL) {
        if (strncmp(entry->d_name, prefix, strlen(prefix)) == 0) {
            snprintf(path, sizeof path, "%s/%s", COPY_MEMORY, entry->d_name);
            if (remove_copies_in(path)) {
                rmdir(path);
            }
        }
    }
    if (folder != NULL) {
        closedir(folder);
    }
}

/* Device and inode of the data folder go into the prefix, so that a node finds what its own
 * forerunner left and nothing else. */
static void name_memory(struct copies *copies) {
    struct stat place = {0};
    if (stat(copies->dir, &place) == 0) {
        snprintf(copies->memory_prefix, sizeof copies->memory_prefix, "bibweave-%llx-%llx-",
                 (unsigned long long)(place.st_dev & 0xffff),
                 (unsigned long long)(place.st_ino & 0xffffffff));
    } else {
        snprintf(copies->memory_prefix, sizeof copies->memory_prefix, "bibweave-");
    }
}

/* ---- the queue ---- */

static void free_command(struct command *command) {
    if (command == NULL) {
        return;
    }
    for (size_t i = 0; command->arguments != NULL && i < command->argument_count; i++) {
        free(command->arguments[i]);
    }
    free(command->arguments);
    free(command->verb);
    free(command->cwd);
    free(command);
}

static struct command *keep_command(const struct control_request *request) {
    struct command *command = calloc(1, sizeof *command);
    if (command == NULL) {
        return NULL;
    }
    command->connection = request->connection;
    command->json = request->json;
    command->verb = strdup(request->verb);
    command->cwd = strdup(request->cwd);
    command->argument_count = request->argument_count;
    command->arguments = calloc(request->argument_count + 1, sizeof *command->arguments);
    bool good = command->verb != NULL && command->cwd != NULL && command->arguments != NULL;
    for (size_t i = 0; good && i < request->argument_count; i++) {
        command->arguments[i] = strdup(request->arguments[i]);
        good = command->arguments[i] != NULL;
    }
    if (!good) {
        free_command(command);
        return NULL;
    }
    return command;
}

enum error_code copy_new(const char *dir, struct ledger *ledger, struct copies **out,
                         struct error *err) {
    struct copies *copies = calloc(1, sizeof *copies);
    *out = copies;
    if (copies == NULL) {
        return error_set(err, ERR_MEMORY, "copies");
    }
    copies->ledger = ledger;
    copies->out_fd = -1;
    copies->err_fd = -1;
    snprintf(copies->dir, sizeof copies->dir, "%s", dir);
    buffer_init(&copies->out);
    buffer_init(&copies->err);
    name_memory(copies);
    remove_copies_in(dir);
    remove_copies_in_memory(copies->memory_prefix);
    return ERR_OK;
}

enum error_code copy_add(struct copies *copies, const struct control_request *request,
                         struct error *err) {
    size_t count = 0;
    struct command **end = &copies->first;
    for (; *end != NULL; end = &(*end)->next) {
        count++;
    }
    if (count > COPY_QUEUE_MAX) {
        error_set(err, ERR_BUSY, "%zu commands wait", count - 1);
        return error_say(err, "Too many long commands wait already: try again a little later.");
    }
    *end = keep_command(request);
    return *end == NULL ? error_set(err, ERR_MEMORY, "command") : ERR_OK;
}

/* ---- ends ---- */

static void close_fd(int *fd) {
    if (*fd >= 0) {
        close(*fd);
        *fd = -1;
    }
}

/* Drops what there is of copy and child; the command stays in hand. */
static void clean(struct copies *copies) {
    if (copies->backup != NULL) {
        sqlite3_backup_finish(copies->backup);
        copies->backup = NULL;
    }
    if (copies->copy != NULL) {
        sqlite3_close(copies->copy);
        copies->copy = NULL;
    }
    if (copies->child > 0) {
        kill(copies->child, SIGKILL);
        waitpid(copies->child, NULL, 0);
        copies->child = 0;
    }
    close_fd(&copies->out_fd);
    close_fd(&copies->err_fd);
    if (copies->path[0] != 0) {
        remove_copy(copies->path);
        copies->path[0] = 0;
    }
    if (copies->memory[0] != 0) {
        rmdir(copies->memory);
        copies->memory[0] = 0;
    }
}

static void next_command(struct copies *copies) {
    struct command *command = copies->first;
    copies->first = command->next;
    free_command(command);
    buffer_release(&copies->out);
    buffer_release(&copies->err);
    copies->state = IDLE;
}

static void fail(struct copies *copies, enum error_code code, const char *cause) {
    struct error err;
    clean(copies);
    error_set(&err, code, "%s", cause);
    buffer_clear(&copies->out);
    buffer_clear(&copies->err);
    buffer_print(&copies->err, "%s\n  cause: %s\n", err.say, err.cause);
    copies->status = (int)error_class(code);
    copies->state = DONE;
}

void copy_cancel(struct copies *copies, uint64_t connection) {
    if (copies->first != NULL && copies->first->connection == connection && copies->state != IDLE) {
        clean(copies);
        next_command(copies);
    }
    for (struct command **at = &copies->first; *at != NULL;) {
        struct command *command = *at;
        bool in_hand = command == copies->first && copies->state != IDLE;
        if (command->connection == connection && !in_hand) {
            *at = command->next;
            free_command(command);
        } else {
            at = &command->next;
        }
    }
}

void copy_free(struct copies *copies) {
    if (copies == NULL) {
        return;
    }
    clean(copies);
    while (copies->first != NULL) {
        next_command(copies);
    }
    free(copies);
}

size_t copy_connections(const struct copies *copies, uint64_t *out, size_t max) {
    size_t count = 0;
    for (const struct command *command = copies->first; command != NULL && count < max;
         command = command->next) {
        out[count++] = command->connection;
    }
    return count;
}

/* ---- the copy ---- */

static bool name_copy(struct copies *copies, bool in_memory) {
    if (in_memory) {
        snprintf(copies->memory, sizeof copies->memory, "%s/%sXXXXXX", COPY_MEMORY,
                 copies->memory_prefix);
        if (mkdtemp(copies->memory) == NULL) {
            copies->memory[0] = 0;
            return false;
        }
    }
    snprintf(copies->path, sizeof copies->path, "%s/copy-%ld-%lu.db",
             in_memory ? copies->memory : copies->dir, (long)getpid(), ++copies->last);
    remove_copy(copies->path);
    return true;
}

static void begin_copy(struct copies *copies, bool in_memory);

static void copy_failed(struct copies *copies, int rc) {
    bool in_memory = copies->memory[0] != 0;
    if (rc == SQLITE_FULL && !in_memory) {
        clean(copies);
        begin_copy(copies, true);
    } else {
        fail(copies, rc == SQLITE_FULL ? ERR_DISK_FULL : ERR_DISK, sqlite3_errstr(rc));
    }
}

static void begin_copy(struct copies *copies, bool in_memory) {
    int flags = SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE | SQLITE_OPEN_NOFOLLOW;
    copies->state = COPYING;
    if (!name_copy(copies, in_memory)) {
        fail(copies, ERR_DISK_FULL, "no room for a copy of the ledger");
        return;
    }
    int rc = sqlite3_open_v2(copies->path, &copies->copy, flags, NULL);
    if (rc == SQLITE_OK) {
        rc = sqlite3_exec(copies->copy, "PRAGMA journal_mode=OFF; PRAGMA synchronous=OFF", NULL,
                          NULL, NULL);
    }
    if (rc == SQLITE_OK) {
        copies->backup =
            sqlite3_backup_init(copies->copy, "main", ledger_db(copies->ledger), "main");
        rc = copies->backup == NULL ? sqlite3_errcode(copies->copy) : SQLITE_OK;
    }
    if (rc != SQLITE_OK) {
        copy_failed(copies, rc);
    }
}

/* Pages that this connection writes meanwhile are carried over by SQLite itself, so a slice never
 * has to begin anew. */
static void continue_copy(struct copies *copies) {
    int64_t end = station_now().ms + COPY_SLICE_MS;
    int rc = SQLITE_OK;
    do {
        rc = sqlite3_backup_step(copies->backup, COPY_PAGES);
    } while (rc == SQLITE_OK && station_now().ms < end);
    if (rc == SQLITE_DONE) {
        rc = sqlite3_backup_finish(copies->backup);
        copies->backup = NULL;
    }
    if (rc == SQLITE_OK && copies->backup == NULL) {
        rc = sqlite3_close(copies->copy);
        copies->copy = NULL;
    }
    if (rc != SQLITE_OK && rc != SQLITE_BUSY && rc != SQLITE_LOCKED) {
        copy_failed(copies, rc);
    }
}

/* ---- the child ---- */

/* bibweave --dir D --copy FILE VERB [WORD] ARGUMENTS... [--json], NULL-terminated; freed with
 * free(); the words of the verb are cut in place into `verb`. */
static char **make_words(struct copies *copies, const struct command *command, char *verb) {
    enum { BEFORE = 5, AFTER = 2 };
    static char name[] = "bibweave", dir[] = "--dir", copy[] = "--copy", json[] = "--json";
    char **words =
        calloc(BEFORE + COPY_VERB_WORDS + command->argument_count + AFTER, sizeof *words);
    if (words == NULL) {
        return NULL;
    }
    size_t count = 0;
    words[count++] = name;
    words[count++] = dir;
    words[count++] = copies->dir;
    words[count++] = copy;
    words[count++] = copies->path;
    if (command->json) {
        words[count++] = json;
    }
    char *rest = NULL;
    char *word = strtok_r(verb, " ", &rest);
    for (int i = 0; i < COPY_VERB_WORDS && word != NULL; i++) {
        words[count++] = word;
        word = strtok_r(NULL, " ", &rest);
    }
    for (size_t i = 0; i < command->argument_count; i++) {
        words[count++] = command->arguments[i];
    }
    return words;
}

/* The child gets /dev/null and two pipes and nothing else that is open here, the asker's folder,
 * and the signals as they were. */
static int spawn(struct copies *copies, char *const *words, int out, int err) {
    posix_spawn_file_actions_t actions;
    posix_spawnattr_t attributes;
    sigset_t none, restored;
    sigemptyset(&none);
    sigemptyset(&restored);
    sigaddset(&restored, SIGPIPE);
    if (posix_spawn_file_actions_init(&actions) != 0) {
        return ENOMEM;
    }
    if (posix_spawnattr_init(&attributes) != 0) {
        posix_spawn_file_actions_destroy(&actions);
        return ENOMEM;
    }
    int rc = posix_spawn_file_actions_addopen(&actions, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
    rc = rc != 0 ? rc : posix_spawn_file_actions_adddup2(&actions, out, STDOUT_FILENO);
    rc = rc != 0 ? rc : posix_spawn_file_actions_adddup2(&actions, err, STDERR_FILENO);
    rc = rc != 0 ? rc : posix_spawn_file_actions_addclosefrom_np(&actions, STDERR_FILENO + 1);
    rc = rc != 0 ? rc : posix_spawn_file_actions_addchdir_np(&actions, copies->first->cwd);
    rc = rc != 0 ? rc : posix_spawnattr_setsigmask(&attributes, &none);
    rc = rc != 0 ? rc : posix_spawnattr_setsigdefault(&attributes, &restored);
    short flags = POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF;
    rc = rc != 0 ? rc : posix_spawnattr_setflags(&attributes, flags);
    rc = rc != 0
             ? rc
             : posix_spawn(&copies->child, "/proc/self/exe", &actions, &attributes, words, environ);
    if (rc != 0) {
        copies->child = 0;
    }
    posix_spawnattr_destroy(&attributes);
    posix_spawn_file_actions_destroy(&actions);
    return rc;
}

static void begin_child(struct copies *copies) {
    int out[2] = {-1, -1}, err[2] = {-1, -1};
    char *verb = strdup(copies->first->verb);
    char **words = verb == NULL ? NULL : make_words(copies, copies->first, verb);
    int rc = ENOMEM;
    if (words != NULL) {
        rc = pipe2(out, O_CLOEXEC) == 0 && pipe2(err, O_CLOEXEC) == 0
                 ? spawn(copies, words, out[1], err[1])
                 : errno;
    }
    free(words);
    free(verb);
    close_fd(&out[1]);
    close_fd(&err[1]);
    copies->out_fd = out[0];
    copies->err_fd = err[0];
    copies->state = RUNNING;
    if (rc != 0 || fcntl(copies->out_fd, F_SETFL, O_NONBLOCK) != 0 ||
        fcntl(copies->err_fd, F_SETFL, O_NONBLOCK) != 0) {
        fail(copies, ERR_PERMISSION, strerror(rc != 0 ? rc : errno));
    }
}

bool copy_due(const struct copies *copies) {
    return (copies->state == IDLE && copies->first != NULL) || copies->state == COPYING;
}

void copy_step(struct copies *copies) {
    if (copies->state == IDLE && copies->first != NULL) {
        begin_copy(copies, false);
    } else if (copies->state == COPYING && copies->backup != NULL) {
        continue_copy(copies);
    }
    if (copies->state == COPYING && copies->backup == NULL) {
        begin_child(copies);
    }
}

size_t copy_poll(const struct copies *copies, zmq_pollitem_t *items, size_t max) {
    size_t count = 0;
    const int fds[] = {copies->out_fd, copies->err_fd};
    for (size_t i = 0; i < 2; i++) {
        if (fds[i] >= 0 && count < max) {
            items[count++] = (zmq_pollitem_t){.fd = fds[i], .events = ZMQ_POLLIN};
        }
    }
    return count;
}

/* Closes the pipe at its end. */
static void read_pipe(int *fd, struct buffer *into) {
    uint8_t chunk[65536];
    while (*fd >= 0 && into->size < COPY_OUT_MAX) {
        ssize_t n = read(*fd, chunk, sizeof chunk);
        if (n < 0 && (errno == EAGAIN || errno == EINTR)) {
            return;
        }
        if (n <= 0) {
            close_fd(fd);
            return;
        }
        buffer_append(into, chunk, (size_t)n);
    }
}

void copy_read(struct copies *copies) {
    int status = 0;
    if (copies->state != RUNNING) {
        return;
    }
    /* Asked before the pipes are read: what the child printed is then in them. */
    bool ended = waitpid(copies->child, &status, WNOHANG) == copies->child;
    read_pipe(&copies->out_fd, &copies->out);
    read_pipe(&copies->err_fd, &copies->err);
    if (ended) {
        copies->child = 0;
    }
    if (copies->out.failed || copies->err.failed) {
        fail(copies, ERR_MEMORY, "what the command printed");
    } else if (copies->out.size >= COPY_OUT_MAX || copies->err.size >= COPY_OUT_MAX) {
        fail(copies, ERR_LIMIT, "what the command printed");
    } else if (ended && WIFEXITED(status)) {
        clean(copies);
        copies->status = WEXITSTATUS(status);
        copies->state = DONE;
    } else if (ended) {
        fail(copies, ERR_MEMORY, "the command's process was ended from outside");
    }
}

bool copy_next(struct copies *copies, struct copy_answer *answer) {
    const struct command *command = copies->first;
    if (command == NULL || copies->state != DONE) {
        return false;
    }
    if (copies->status < 0) { /* the answer was taken by the call before */
        next_command(copies);
        return false;
    }
    *answer = (struct copy_answer){
        .connection = command->connection,
        .status = copies->status,
        .out = buffer_slice(&copies->out),
        .err = buffer_slice(&copies->err),
    };
    copies->status = -1;
    return true;
}
