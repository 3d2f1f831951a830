/* Has a disk and a name server hang, for ever.
 *
 * Loaded by LD_PRELOAD before the program's own libc. Whoever asks for a name that ends in ".hangs"
 * gets no answer, and no sync ends if HANGING_DISK is set. HANGING_SEEN names a file that is made
 * once something hangs.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <netdb.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <unistd.h>

static void hang(void)
{
    close(open(getenv("HANGING_SEEN"), O_WRONLY | O_CREAT, 0600));
    for (;;) pause();
}

int getaddrinfo(const char *name, const char *service, const struct addrinfo *hints,
                struct addrinfo **found)
{
    int (*asked)(const char *, const char *, const struct addrinfo *, struct addrinfo **) =
        dlsym(RTLD_NEXT, "getaddrinfo");
    size_t length = name ? strlen(name) : 0;
    if (length > 6 && !strcmp(name + length - 6, ".hangs")) hang();
    return asked(name, service, hints, found);
}

int fsync(int file)
{
    if (getenv("HANGING_DISK")) hang();
    return (int)syscall(SYS_fsync, file);
}

int fdatasync(int file)
{
    if (getenv("HANGING_DISK")) hang();
    return (int)syscall(SYS_fdatasync, file);
}
