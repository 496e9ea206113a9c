/* A disk that fails on purpose. Preloaded into the program under test, it counts the calls that change the files whose
   path begins with a prefix, and makes the n-th of them fail: once, or from then on until it is let go. The control
   block is a file that the test maps, too, so a fault can be armed and lifted at any moment of the run.

   Build: cc -shared -fPIC -O1 -o disk_shim.so disk_shim.c -ldl
   Environment: DISK_SHIM_CONTROL (a file of at least sizeof(struct control) bytes), DISK_SHIM_PREFIX. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

struct control {
    long counted;  /* calls on the watched files since the test set it to 0 */
    long fail_at;  /* the number of the call that fails, from 1; 0: none */
    long error;    /* its errno */
    long sticky;   /* whether those that follow fail as well */
    long failed;   /* how many have failed */
    long halves;   /* a write that fails writes half of its bytes first, and says so, as on a disk that fills up */
    long no_sync;  /* syncs that do not fail return at once: no test here is about a power cut */
    long bytes;    /* bytes that were written */
    long first;    /* what the first call that failed was: 1 write, 2 sync, 3 truncate */
};

static struct control *block;
static const char *prefix;
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;

__attribute__((constructor)) static void begin(void) {
    const char *path = getenv("DISK_SHIM_CONTROL");
    prefix = getenv("DISK_SHIM_PREFIX");
    int fd = path && prefix ? open(path, O_RDWR | O_CLOEXEC) : -1;
    if (fd < 0) return;
    void *mapped = mmap(NULL, sizeof(struct control), PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    close(fd);
    if (mapped != MAP_FAILED) block = mapped;
}

static int watched(int fd) {
    char link[64], path[4096];
    if (!block) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length < 0) return 0;
    path[length] = 0;
    return strncmp(path, prefix, strlen(prefix)) == 0;
}

/* 0: go on; else the errno with which this call fails. */
static int verdict(int kind) {
    int error = 0;
    pthread_mutex_lock(&lock);
    long number = ++block->counted;
    if (block->fail_at && (number == block->fail_at || (block->sticky && number > block->fail_at))) {
        error = (int)block->error;
        if (!block->failed++) block->first = kind;
    }
    pthread_mutex_unlock(&lock);
    return error;
}

static ssize_t written(ssize_t count) {
    if (count > 0) __atomic_add_fetch(&block->bytes, count, __ATOMIC_RELAXED);
    return count;
}

/* Whether the call that fails is to write half: only the first, for a full disk takes nothing more. */
static int by_half(size_t count) { return block->halves && block->failed == 1 && count > 1; }

#define REAL(name) ({ static __typeof__(&name) real; if (!real) real = dlsym(RTLD_NEXT, #name); real; })

ssize_t write(int fd, const void *data, size_t count) {
    if (!watched(fd)) return REAL(write)(fd, data, count);
    int error = verdict(1);
    if (!error) return written(REAL(write)(fd, data, count));
    if (by_half(count)) return written(REAL(write)(fd, data, count / 2));
    errno = error;
    return -1;
}

static ssize_t at(ssize_t (*real)(int, const void *, size_t, off64_t), int fd, const void *data, size_t count,
                  off64_t offset) {
    if (!watched(fd)) return real(fd, data, count, offset);
    int error = verdict(1);
    if (!error) return written(real(fd, data, count, offset));
    if (by_half(count)) return written(real(fd, data, count / 2, offset));
    errno = error;
    return -1;
}

ssize_t pwrite(int fd, const void *data, size_t count, off_t offset) {
    return at((ssize_t (*)(int, const void *, size_t, off64_t))REAL(pwrite64), fd, data, count, offset);
}

ssize_t pwrite64(int fd, const void *data, size_t count, off64_t offset) {
    return at((ssize_t (*)(int, const void *, size_t, off64_t))REAL(pwrite64), fd, data, count, offset);
}

static int synced(int (*real)(int), int fd) {
    if (!watched(fd)) return real(fd);
    int error = verdict(2);
    if (!error) return block->no_sync ? 0 : real(fd);
    errno = error;
    return -1;
}

int fsync(int fd) { return synced(REAL(fsync), fd); }
int fdatasync(int fd) { return synced(REAL(fdatasync), fd); }

static int cut(int (*real)(int, off64_t), int fd, off64_t length) {
    if (!watched(fd)) return real(fd, length);
    int error = verdict(3);
    if (!error) return real(fd, length);
    errno = error;
    return -1;
}

int ftruncate(int fd, off_t length) { return cut((int (*)(int, off64_t))REAL(ftruncate64), fd, length); }
int ftruncate64(int fd, off64_t length) { return cut((int (*)(int, off64_t))REAL(ftruncate64), fd, length); }
