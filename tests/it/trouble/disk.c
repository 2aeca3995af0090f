/* A disk in trouble, for programs that are started with this in LD_PRELOAD: reads "SYNC_MS ERRNO" from the file
   that DISK_TROUBLE names each time, delays each sync by so much, fails each write to a record's file with that
   error (0: none), and tells each sync by a byte in DISK_SYNCS. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

static void trouble(int *sync_ms, int *error) {
    *sync_ms = *error = 0;
    const char *path = getenv("DISK_TROUBLE");
    FILE *file = path ? fopen(path, "re") : NULL;
    if (!file)
        return;
    if (fscanf(file, "%d %d", sync_ms, error) != 2)
        *sync_ms = *error = 0;
    fclose(file);
}

static int of_a_record(int fd) {
    char link[64], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length < 0)
        return 0;
    path[length] = 0;
    return strstr(path, ".sqlite") != NULL;
}

static int fails(int fd) {
    int sync_ms, error;
    if (!of_a_record(fd))
        return 0;
    trouble(&sync_ms, &error);
    errno = error;
    return error != 0;
}

static void wait_and_tell(void) {
    int sync_ms, error;
    trouble(&sync_ms, &error);
    struct timespec span = {sync_ms / 1000, sync_ms % 1000 * 1000000L};
    nanosleep(&span, NULL);
    const char *path = getenv("DISK_SYNCS");
    int told = path ? open(path, O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0600) : -1;
    if (told < 0)
        return;
    ssize_t (*real)(int, const void *, size_t) = dlsym(RTLD_NEXT, "write");
    real(told, "s", 1);
    close(told);
}

ssize_t write(int fd, const void *bytes, size_t count) {
    ssize_t (*real)(int, const void *, size_t) = dlsym(RTLD_NEXT, "write");
    return fails(fd) ? -1 : real(fd, bytes, count);
}

ssize_t pwrite64(int fd, const void *bytes, size_t count, off64_t at) {
    ssize_t (*real)(int, const void *, size_t, off64_t) = dlsym(RTLD_NEXT, "pwrite64");
    return fails(fd) ? -1 : real(fd, bytes, count, at);
}

ssize_t pwrite(int fd, const void *bytes, size_t count, off_t at) {
    return pwrite64(fd, bytes, count, at);
}

int fsync(int fd) {
    int (*real)(int) = dlsym(RTLD_NEXT, "fsync");
    wait_and_tell();
    return real(fd);
}

int fdatasync(int fd) {
    int (*real)(int) = dlsym(RTLD_NEXT, "fdatasync");
    wait_and_tell();
    return real(fd);
}
