/*
 * run_corpus - a fuzz target without libFuzzer: run_corpus SECONDS SEED_DIRECTORY.
 *
 * Feeds every seed, then mutations of seeds (bytes changed, cut, repeated, spliced) until the
 * time is over, or FUZZ_RUNS of them if that is set. The mutations come from a fixed seed
 * (FUZZ_SEED sets another, and it is printed), so a finding can be repeated; the input that
 * crashed is left in the file that is named.
 */
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#define MOST_SEEDS 256
#define MOST_BYTES 65536

static uint8_t *seeds[MOST_SEEDS];
static size_t sizes[MOST_SEEDS], seed_count;
static uint64_t state;

static uint64_t next_random(void) /* splitmix64, public domain (Vigna) */
{
    uint64_t z = (state += 0x9E3779B97F4A7C15U);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9U;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBU;
    return z ^ (z >> 31);
}

static void load(const char *directory)
{
    DIR *d = opendir(directory);
    if (!d) {
        perror(directory);
        exit(1);
    }
    struct dirent *e;
    while ((e = readdir(d)) && seed_count < MOST_SEEDS) {
        char path[1024];
        if (e->d_name[0] == '.')
            continue;
        snprintf(path, sizeof path, "%s/%s", directory, e->d_name);
        FILE *f = fopen(path, "rb");
        if (!f)
            continue;
        uint8_t *bytes = malloc(MOST_BYTES);
        if (bytes) {
            sizes[seed_count] = fread(bytes, 1, MOST_BYTES, f);
            seeds[seed_count++] = bytes;
        }
        fclose(f);
    }
    closedir(d);
}

static size_t mutate(uint8_t *out)
{
    size_t s = next_random() % seed_count, n = sizes[s];
    memcpy(out, seeds[s], n);
    for (uint64_t k = 1 + next_random() % 8; k > 0; k--) {
        size_t at = n ? next_random() % n : 0;
        switch (next_random() % 6) {
        case 0:
            if (n)
                out[at] = (uint8_t)next_random();
            break;
        case 1:
            if (n)
                out[at] ^= (uint8_t)(1U << next_random() % 8);
            break;
        case 2: n = at; break;
        case 3: { /* repeat a piece */
            size_t m = n - at < 64 ? n - at : 64;
            if (n + m <= MOST_BYTES) {
                memmove(out + at + m, out + at, n - at);
                n += m;
            }
            break;
        }
        case 4: { /* splice the tail of another */
            size_t o = next_random() % seed_count,
                   from = sizes[o] ? next_random() % sizes[o] : 0;
            size_t m = sizes[o] - from;
            if (at + m <= MOST_BYTES) {
                memcpy(out + at, seeds[o] + from, m);
                n = at + m;
            }
            break;
        }
        default: /* remove a piece */
            if (n) {
                size_t m = 1 + next_random() % 16;
                if (at + m < n) {
                    memmove(out + at, out + at + m, n - at - m);
                    n -= m;
                }
            }
        }
    }
    return n;
}

/* Before each run, so that a crash leaves its input; one open file, because opening costs more
 * than many a target. */
static void leave_behind(int fd, const uint8_t *input, size_t n)
{
    if (pwrite(fd, input, n, 0) != (ssize_t)n || ftruncate(fd, (off_t)n) != 0) {
        perror("the file for the input that crashes");
        exit(1);
    }
}

int main(int argc, char **argv)
{
    if (argc != 3) {
        fprintf(stderr, "usage: %s SECONDS SEED_DIRECTORY\n", argv[0]);
        return 2;
    }
    const char *given = getenv("FUZZ_SEED");
    state = given ? strtoull(given, NULL, 10) : 1;
    printf("FUZZ_SEED=%llu\n", (unsigned long long)state);
    load(argv[2]);
    if (seed_count == 0) {
        fprintf(stderr, "no seeds in %s\n", argv[2]);
        return 1;
    }
    char crash[1024];
    snprintf(crash, sizeof crash, "%s.input", argv[0]);
    for (size_t i = 0; i < seed_count; i++)
        LLVMFuzzerTestOneInput(seeds[i], sizes[i]);
    unsigned long long runs = seed_count;
    uint8_t *input = malloc(MOST_BYTES);
    int fd = open(crash, O_CREAT | O_TRUNC | O_WRONLY, 0644);
    if (fd < 0) {
        perror(crash);
        return 1;
    }
    const char *wanted = getenv("FUZZ_RUNS");
    unsigned long long most = wanted ? strtoull(wanted, NULL, 10) : ULLONG_MAX;
    time_t end = time(NULL) + atoi(argv[1]);
    while (input && (wanted ? runs < most : time(NULL) < end)) {
        for (int k = 0; k < 64; k++, runs++) {
            size_t n = mutate(input);
            leave_behind(fd, input, n);
            LLVMFuzzerTestOneInput(input, n);
        }
    }
    free(input);
    close(fd);
    remove(crash);
    for (size_t i = 0; i < seed_count; i++)
        free(seeds[i]);
    printf("%llu runs, no finding (an input that crashes would be left in %s)\n", runs, crash);
    return 0;
}
