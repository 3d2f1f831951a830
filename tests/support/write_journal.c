/* Notes what a program does to the files of one folder, in the order in which it does it.
 *
 * Loaded by LD_PRELOAD before the program's own libc. WRITE_JOURNAL names the journal, and
 * WRITE_JOURNAL_OF the folder, without a slash at its end. What the program does is done all the
 * same. A write is noted before it is done and a sync when it has begun and when it has ended, so
 * that nothing counts as being on the disk that might not be. tests/support/power_cut.py reads the
 * journal. Shared memory (-shm) is left out: SQLite makes it anew after a power cut.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

enum { WRITE = 1, SIZE, SYNC_BEGUN, SYNCED, FOLDER_SYNC_BEGUN, FOLDER_SYNCED, MADE, REMOVED, RENAMED };

struct head {
    uint64_t time_ns, inode, offset;
    uint32_t kind, thread, length, unused;
};

static int journal = -1;
static char folder[PATH_MAX];
static size_t folder_length;

__attribute__((constructor)) static void begin(void)
{
    const char *path = getenv("WRITE_JOURNAL"), *of = getenv("WRITE_JOURNAL_OF");
    if (!path || !of || strlen(of) >= sizeof folder) return;
    strcpy(folder, of);
    folder_length = strlen(of);
    journal = (int)syscall(SYS_openat, AT_FDCWD, path, O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0600);
}

static void note(uint32_t kind, uint64_t inode, uint64_t offset, const void *content, size_t length)
{
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    struct head head = {
        (uint64_t)now.tv_sec * 1000000000u + (uint64_t)now.tv_nsec, inode, offset,
        kind, (uint32_t)syscall(SYS_gettid), (uint32_t)length, 0,
    };
    struct iovec parts[2] = {{&head, sizeof head}, {(void *)content, length}};
    if (syscall(SYS_writev, journal, parts, 2) != (long)(sizeof head + length)) abort();
}

static int is_shared(const char *path)
{
    size_t length = strlen(path);
    return length > 4 && strcmp(path + length - 4, "-shm") == 0;
}

static int is_in_folder(const char *path)
{
    return journal >= 0 && path && strncmp(path, folder, folder_length) == 0
        && (path[folder_length] == '/' || path[folder_length] == 0) && !is_shared(path);
}

/* The inode behind a descriptor, if it is one of the folder's; 0 if not. */
static uint64_t inode_of(int fd)
{
    struct stat about;
    char link[64], path[PATH_MAX];
    if (journal < 0 || fstat(fd, &about) != 0) return 0;
    if (!S_ISREG(about.st_mode) && !S_ISDIR(about.st_mode)) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length < 0) return 0;
    path[length] = 0;
    return is_in_folder(path) ? about.st_ino : 0;
}

#define REAL(name) \
    static __typeof__(name) *real; \
    if (!real) real = (__typeof__(name) *)dlsym(RTLD_NEXT, #name)

/* ---- names */

static int opened(int fd, const char *path, int flags, int was_there)
{
    struct stat about;
    int kept = errno;
    if (fd >= 0 && (flags & (O_CREAT | O_TRUNC)) && is_in_folder(path) && fstat(fd, &about) == 0) {
        if (!was_there) note(MADE, about.st_ino, 0, path, strlen(path));
        else if (flags & O_TRUNC) note(SIZE, about.st_ino, 0, "", 0);
    }
    errno = kept;
    return fd;
}

#define OPEN(name) \
    int name(const char *path, int flags, ...) \
    { \
        REAL(name); \
        va_list rest; \
        va_start(rest, flags); \
        mode_t mode = (flags & (O_CREAT | O_TMPFILE)) ? va_arg(rest, mode_t) : 0; \
        va_end(rest); \
        int was_there = is_in_folder(path) && access(path, F_OK) == 0; \
        return opened(real(path, flags, mode), path, flags, was_there); \
    }

#define OPENAT(name) \
    int name(int at, const char *path, int flags, ...) \
    { \
        REAL(name); \
        va_list rest; \
        va_start(rest, flags); \
        mode_t mode = (flags & (O_CREAT | O_TMPFILE)) ? va_arg(rest, mode_t) : 0; \
        va_end(rest); \
        int was_there = is_in_folder(path) && access(path, F_OK) == 0; \
        return opened(real(at, path, flags, mode), path, flags, was_there); \
    }

OPEN(open)
OPEN(open64)
OPENAT(openat)
OPENAT(openat64)

int mknod(const char *path, mode_t mode, dev_t device)
{
    struct stat about;
    REAL(mknod);
    int done = real(path, mode, device);
    int kept = errno;
    if (done == 0 && is_in_folder(path) && stat(path, &about) == 0)
        note(MADE, about.st_ino, 0, path, strlen(path));
    errno = kept;
    return done;
}

static int removed(int done, const char *path)
{
    if (done == 0 && is_in_folder(path)) note(REMOVED, 0, 0, path, strlen(path));
    return done;
}

int unlink(const char *path)
{
    REAL(unlink);
    return removed(real(path), path);
}

int unlinkat(int at, const char *path, int flags)
{
    REAL(unlinkat);
    return removed(real(at, path, flags), path);
}

static int renamed(int done, const char *from, const char *to)
{
    char both[2 * PATH_MAX];
    if (done == 0 && is_in_folder(from) && is_in_folder(to)) {
        size_t length = (size_t)snprintf(both, sizeof both, "%s%c%s", from, 0, to);
        note(RENAMED, 0, 0, both, length);
    }
    return done;
}

int rename(const char *from, const char *to)
{
    REAL(rename);
    return renamed(real(from, to), from, to);
}

int renameat(int from_at, const char *from, int to_at, const char *to)
{
    REAL(renameat);
    return renamed(real(from_at, from, to_at, to), from, to);
}

/* ---- content */

ssize_t write(int fd, const void *content, size_t length)
{
    REAL(write);
    uint64_t inode = inode_of(fd);
    if (inode) {
        int appends = fcntl(fd, F_GETFL) & O_APPEND;
        note(WRITE, inode, (uint64_t)lseek(fd, 0, appends ? SEEK_END : SEEK_CUR), content, length);
    }
    return real(fd, content, length);
}

#define PWRITE(name, offset_type) \
    ssize_t name(int fd, const void *content, size_t length, offset_type offset) \
    { \
        REAL(name); \
        uint64_t inode = inode_of(fd); \
        if (inode) note(WRITE, inode, (uint64_t)offset, content, length); \
        return real(fd, content, length, offset); \
    }

PWRITE(pwrite, off_t)
PWRITE(pwrite64, off64_t)

#define FTRUNCATE(name, offset_type) \
    int name(int fd, offset_type size) \
    { \
        REAL(name); \
        uint64_t inode = inode_of(fd); \
        if (inode) note(SIZE, inode, (uint64_t)size, "", 0); \
        return real(fd, size); \
    }

FTRUNCATE(ftruncate, off_t)
FTRUNCATE(ftruncate64, off64_t)

#define SYNC(name) \
    int name(int fd) \
    { \
        REAL(name); \
        struct stat about; \
        uint64_t inode = inode_of(fd); \
        if (!inode) return real(fd); \
        int is_folder = fstat(fd, &about) == 0 && S_ISDIR(about.st_mode); \
        note(is_folder ? FOLDER_SYNC_BEGUN : SYNC_BEGUN, inode, 0, "", 0); \
        int done = real(fd); \
        int kept = errno; \
        if (done == 0) note(is_folder ? FOLDER_SYNCED : SYNCED, inode, 0, "", 0); \
        errno = kept; \
        return done; \
    }

SYNC(fsync)
SYNC(fdatasync)
