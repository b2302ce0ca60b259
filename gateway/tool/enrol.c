/* foretrip enrol: this gateway's certificate from its centre, by a code, and renewed later. */
#include "open_config.h"
#include "options.h"
#include "verbs.h"

#include "base/certificate.h"
#include "base/est.h"
#include "notify/est_client.h"

#include <openssl/pem.h>

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define FOLDER "centre"       /* in the configuration's directory */
#define AUTHORITY "ca.pem"    /* the centre's */
#define OWN "gateway.pem"     /* certificate and key in one file: replaced in one step */
#define ADDRESS "address.txt" /* where the certificate is renewed */
#define PATH_SIZE 600
#define DEFAULT_PORT "8883" /* of MQTT over TLS (registered with IANA: secure-mqtt) */

struct enrolling {
    const char *directory, *broker;
    bool renew, now, yes;
    char address[300];
    char unit[SITE_ID_SIZE];
    char folder[PATH_SIZE];
    gid_t group; /* of the directory: the gateway's account reads what is in it */
    char why[EST_CLIENT_WHY_SIZE];
};

static enum exit_code bad(const char *sentence)
{
    fprintf(stderr, "foretrip enrol: %s\n", sentence);
    return EXIT_BAD;
}

static const char *path_of(const struct enrolling *e, const char *file,
                           char out[PATH_SIZE + 32])
{
    snprintf(out, PATH_SIZE + 32, "%s/%s", e->folder, file);
    return out;
}

/* ---- files ---- */

/* The whole file or none of it. bytes, then, where they are there, the certificate and the key.
 */
static bool put_file(struct enrolling *e, const char *file, mode_t mode, const char *bytes,
                     X509 *x, EVP_PKEY *key)
{
    char path[PATH_SIZE + 32], made[PATH_SIZE + 48];
    path_of(e, file, path);
    snprintf(made, sizeof made, "%s.new%ld", path, (long)getpid());
    int fd = open(made, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, mode);
    FILE *f = fd >= 0 ? fdopen(fd, "w") : NULL;
    bool good = f && fchmod(fd, mode) == 0;
    if (good && fchown(fd, (uid_t)-1, e->group) != 0)
        good = geteuid() != 0; /* whoever is not root may not; then it is theirs already */
    good = good && fputs(bytes, f) >= 0 && (!x || PEM_write_X509(f, x) == 1) &&
           (!key || PEM_write_PrivateKey(f, key, NULL, NULL, 0, NULL, NULL) == 1) &&
           fflush(f) == 0 && fsync(fd) == 0;
    int error = errno;
    if (f)
        good = fclose(f) == 0 && good;
    else if (fd >= 0)
        close(fd);
    if (good && rename(made, path) == 0)
        return true;
    snprintf(e->why, sizeof e->why, "%.300s cannot be written: %s", path,
             strerror(good ? errno : error));
    unlink(made);
    return false;
}

static bool make_folder(struct enrolling *e)
{
    struct stat st;
    if (stat(e->directory, &st) == 0)
        e->group = st.st_gid;
    bool good = mkdir(e->folder, 0750) == 0 || errno == EEXIST;
    if (good && chown(e->folder, (uid_t)-1, e->group) != 0)
        good = geteuid() != 0;
    if (!good)
        snprintf(e->why, sizeof e->why, "%.300s cannot be made: %s", e->folder,
                 strerror(errno));
    return good;
}

/* ---- delivery.cfg ---- */

static void write_group(const struct enrolling *e, struct text *out)
{
    char host[256];
    const char *given = e->broker ? e->broker : e->address + strlen("https://");
    const char *colon = strrchr(given, ':'),
               *port = e->broker && colon ? colon + 1 : DEFAULT_PORT;
    snprintf(host, sizeof host, "%.*s", (int)(colon ? colon - given : (long)strlen(given)),
             given);
    text_printf(out,
                "broker = { host = \"%s\"; port = %s; up = true; up_only = true;\n"
                "    tls = { ca = \"" FOLDER "/" AUTHORITY "\"; cert = \"" FOLDER "/" OWN
                "\"; key = \"" FOLDER "/" OWN "\"; }; };\n",
                host, port);
}

static bool agreed(const struct enrolling *e)
{
    char line[16];
    if (e->yes)
        return true;
    printf("write this to delivery.cfg? [y/N] ");
    fflush(stdout);
    return fgets(line, sizeof line, stdin) && (line[0] == 'y' || line[0] == 'Y');
}

/* What is there stays as it is: only a file without a broker gets one. */
static enum exit_code settle_delivery(const struct enrolling *e, const struct config *config)
{
    char path[PATH_SIZE + 32];
    struct text group = TEXT_INIT;
    const struct delivery_broker *b = &config->delivery.broker;
    write_group(e, &group);
    snprintf(path, sizeof path, "%s/delivery.cfg", e->directory);
    if (strstr(b->tls.cert, FOLDER "/" OWN)) {
        printf("delivery.cfg has it already; the gateway takes it at its next connection\n");
    } else if (b->host[0]) {
        printf("delivery.cfg has a broker already, which stays as it is. For the centre's it "
               "would be:\n\n%s\n",
               text_get(&group));
    } else {
        printf("\n%s\n", text_get(&group));
        FILE *f = agreed(e) ? fopen(path, "ae") : NULL;
        bool good = f && fprintf(f, "\n%s", text_get(&group)) > 0;
        if (f)
            good = fclose(f) == 0 && good;
        printf(good ? "written; start the gateway anew\n" : "not written\n");
    }
    text_free(&group);
    return EXIT_GOOD;
}

/* ---- the two ways ---- */

/* Its key is made here and leaves this machine never. */
static bool take_certificate(struct enrolling *e, const char *code)
{
    char ca[PATH_SIZE + 32], own[PATH_SIZE + 32];
    EVP_PKEY *key = est_make_key();
    X509 *x = key ? est_client_ask(&(struct est_client){.address = e->address,
                                                        .ca = path_of(e, AUTHORITY, ca),
                                                        .unit = e->unit,
                                                        .code = code,
                                                        .pem = path_of(e, OWN, own)},
                                   key, e->why)
                  : NULL;
    bool good = x && put_file(e, OWN, 0640, "", x, key);
    X509_free(x);
    EVP_PKEY_free(key);
    return good;
}

static enum exit_code redeem(struct enrolling *e, const char *typed,
                             const struct config *config)
{
    struct est_code code;
    char line[340];
    double days = 0;
    char own[PATH_SIZE + 32];
    if (!est_code_read(typed, &code))
        return bad("that is no code of a centre: 44 letters and digits, in groups of four");
    X509 *ca = est_client_authority(e->address, code.pin, e->why);
    snprintf(line, sizeof line, "%s\n", e->address);
    bool good = ca && make_folder(e) && put_file(e, AUTHORITY, 0644, "", ca, NULL) &&
                take_certificate(e, typed) && put_file(e, ADDRESS, 0644, line, NULL, NULL);
    X509_free(ca);
    if (!good)
        return bad(e->why);
    certificate_days_left(path_of(e, OWN, own), &days);
    printf("%s is let in at %s, for %.0f days; foretrip enrol --renew renews it\n", e->unit,
           e->address, days);
    return settle_delivery(e, config);
}

/* how long the certificate is good, and how long still */
static bool read_days(const char *path, double *whole, double *left)
{
    int days = 0, seconds = 0;
    FILE *f = fopen(path, "re");
    X509 *x = f ? PEM_read_X509(f, NULL, NULL, NULL) : NULL;
    bool good =
        x && ASN1_TIME_diff(&days, &seconds, X509_get0_notBefore(x), X509_get0_notAfter(x)) &&
        certificate_days_left(path, left);
    *whole = days + seconds / 86400.0;
    X509_free(x);
    if (f)
        fclose(f);
    return good;
}

static enum exit_code renew(struct enrolling *e)
{
    char own[PATH_SIZE + 32], address[PATH_SIZE + 32];
    struct text line = TEXT_INIT;
    double whole, left;
    path_of(e, OWN, own);
    bool there = text_read_file(&line, path_of(e, ADDRESS, address), 300);
    if (there)
        line.bytes[strcspn(line.bytes, "\r\n")] = '\0';
    there = there && est_client_address(text_get(&line), e->address, sizeof e->address);
    text_free(&line);
    if (!there || !read_days(own, &whole, &left))
        return bad("this gateway has not been let in anywhere: foretrip enrol CODE CENTRE");
    if (!e->now && left > whole / 3.0) {
        printf("the certificate is good for %.0f days still\n", left);
        return EXIT_GOOD;
    }
    if (left < 0)
        return bad("the certificate has ended; ask the centre for a code");
    make_folder(e); /* for its group; it is there */
    if (!take_certificate(e, NULL))
        return bad(e->why);
    read_days(own, &whole, &left);
    printf("renewed, for %.0f days; the gateway takes it at its next connection\n", left);
    return EXIT_GOOD;
}

enum exit_code verb_enrol(int argc, char **argv)
{
    struct enrolling e = {0};
    struct config config;
    const char *words[2] = {NULL, NULL};
    char typed[2 * EST_CODE_SIZE] = "";
    int count = 0;
    const struct option_row rows[] = {{"config", &e.directory, NULL, true},
                                      {"broker", &e.broker, NULL, false},
                                      {"renew", NULL, &e.renew, false},
                                      {"now", NULL, &e.now, false},
                                      {"yes", NULL, &e.yes, false}};
    while (1 + count < argc && count < 2 && strncmp(argv[1 + count], "--", 2) != 0) {
        words[count] = argv[1 + count];
        count++;
    }
    argv[count] = argv[0]; /* the options come behind */
    if (!options_take(rows, sizeof rows / sizeof rows[0], argc - count, argv + count))
        return EXIT_USAGE;
    if (e.renew ? count != 0 : count != 2) {
        fprintf(stderr, "foretrip enrol: %s\n",
                e.renew ? "--renew needs neither code nor centre"
                        : "a code and the centre's address: foretrip enrol CODE "
                          "https://centre.example:8443 --config DIR");
        return EXIT_USAGE;
    }
    if (!e.renew && !est_client_address(words[1], e.address, sizeof e.address)) {
        fprintf(stderr,
                "foretrip enrol: \"%s\" is no address like https://centre.example:8443\n",
                words[1]);
        return EXIT_USAGE;
    }
    if (words[0] && strcmp(words[0], "-") == 0) /* so that no list of processes shows it */
        words[0] = fgets(typed, sizeof typed, stdin) ? typed : "";
    typed[strcspn(typed, "\r\n")] = '\0';
    if (!open_config(&config, e.directory))
        return EXIT_BAD;
    text_copy(e.unit, sizeof e.unit, config.site.id);
    snprintf(e.folder, sizeof e.folder, "%s/" FOLDER, e.directory);
    enum exit_code rc = e.renew ? renew(&e) : redeem(&e, words[0], &config);
    config_free(&config);
    return rc;
}
