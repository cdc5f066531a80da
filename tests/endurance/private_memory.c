/* A model of two computers on one network disk: each has memory of its own for a database's "-shm"
   file, while bytes and locks are shared. Loaded before a program (LD_PRELOAD). */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdio.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

static int is_shared_memory(int file) {
    char link[64], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", file);
    ssize_t size = readlink(link, path, sizeof path - 1);
    return size > 4 && !strncmp(path + size - 4, "-shm", 4);
}

void *mmap(void *at, size_t size, int rights, int flags, int file, off_t from) {
    static void *(*real)(void *, size_t, int, int, int, off_t);
    if (!real)
        real = dlsym(RTLD_NEXT, "mmap");
    if (file >= 0 && (flags & MAP_SHARED) && is_shared_memory(file))
        flags = (flags & ~MAP_SHARED) | MAP_PRIVATE;
    return real(at, size, rights, flags, file, from);
}

void *mmap64(void *at, size_t size, int rights, int flags, int file, off_t from) {
    return mmap(at, size, rights, flags, file, from);
}
