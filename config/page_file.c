#include "page_file.h"

#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define AT(member)                                                                             \
    .offset = offsetof(struct page_settings, member),                                          \
    .size = sizeof((struct page_settings *)0)->member

const struct field page_fields[PAGE_KEYS] = {
    [PAGE_LISTEN] = {"listen", FIELD_TEXT, AT(listen), .fallback = "127.0.0.1",
                     .help =
                         "address of this machine, in numbers, at which the page is served; "
                         "anything but loopback needs tls, "
                         "and people log in"},
    [PAGE_PORT_KEY] = {"port", FIELD_INTEGER, AT(port), .least = 0, .most = 65535,
                       .fallback = "8474", .help = "its TCP port; 0 takes any free one"},
    [PAGE_OFF] = {"off", FIELD_SWITCH, AT(off), .fallback = "false",
                  .help = "no page is served at all"},
    [PAGE_LOGIN] = {"login", FIELD_SWITCH, AT(login), .fallback = "false",
                    .help = "people have to log in on loopback too, behind a proxy say; "
                            "elsewhere they always have to"},
    [PAGE_TLS] = {"tls", FIELD_GROUP, .fallback = "no TLS",
                  .help = "the page is served by HTTPS (TLS 1.2 and on)"},
};

const struct field page_tls_fields[PAGE_TLS_KEYS] = {
    [PAGE_TLS_CERT] = {"cert", FIELD_TEXT, .required = true, AT(cert),
                       .help = "PEM file of the gateway's certificate, with those in between"},
    [PAGE_TLS_KEY] = {"key", FIELD_TEXT, .required = true, AT(key),
                      .help = "PEM file of its key"},
};

static const struct field top_fields[] = {{.name = "page", .kind = FIELD_GROUP}};

/* Makes the path absolute where it is relative, and looks whether the file can be used. */
static void settle_path(const struct config_file *file, const config_setting_t *group,
                        const char *key, const char *directory, bool secret,
                        char path[PAGE_PATH_SIZE])
{
    struct stat st;
    int line = field_line(group, key);
    if (!path[0] || !directory)
        return;
    if (path[0] != '/') {
        char whole[2 * PAGE_PATH_SIZE];
        int n = snprintf(whole, sizeof whole, "%s/%s", directory, path);
        if (n < 0 || !text_copy(path, PAGE_PATH_SIZE, whole)) {
            field_error(file, line, "%s: the path is longer than %d bytes", key,
                        PAGE_PATH_SIZE - 1);
            return;
        }
    }
    /* warnings: whoever checks may not be the user that the gateway runs as */
    if (stat(path, &st) != 0 || access(path, R_OK) != 0)
        field_warning(file, line, "%s: the file %s cannot be read", key, path);
    else if (secret && (st.st_mode & S_IRWXO))
        field_warning(file, line, "%s: the file %s is open to everybody; chmod o= it", key,
                      path);
    else if (!secret)
        field_certificate(file, line, key, path);
}

void page_file_read(struct page_settings *p, const struct config_file *file,
                    const char *directory)
{
    fields_read(file, file->root, "page.cfg", top_fields, 1, NULL);
    page_file_read_group(p, file, directory);
}

void page_file_read_group(struct page_settings *p, const struct config_file *file,
                          const char *directory)
{
    const config_setting_t *group = config_setting_get_member(file->root, "page");
    if (!group || !config_setting_is_group(group))
        return;
    struct fields_result keys =
        fields_read(file, group, "the group page", page_fields, PAGE_KEYS, p);
    bool tls = keys.given & FIELD_BIT(PAGE_TLS);
    if (tls) {
        const config_setting_t *inner = config_setting_get_member(group, "tls");
        fields_read(file, inner, "the group tls", page_tls_fields, PAGE_TLS_KEYS, p);
        settle_path(file, inner, "cert", directory, false, p->cert);
        settle_path(file, inner, "key", directory, true, p->key);
    }
    if (!(keys.given & FIELD_BIT(PAGE_LISTEN)))
        return;
    int line = field_line(group, "listen");
    if (!page_address_valid(p->listen))
        field_error(
            file, line,
            "listen = \"%.60s\" is no address; it is one of this machine's, in numbers, "
            "as in \"127.0.0.1\" or \"192.0.2.7\"",
            p->listen);
    else if (!page_is_loopback(p->listen) && !tls && !(keys.faulty & FIELD_BIT(PAGE_TLS)))
        field_error(
            file, line,
            "listen = \"%s\" can be reached from elsewhere and there is no tls; what is "
            "asked and shown would go in the clear: add tls = { cert = ..; key = ..; }, "
            "or listen on 127.0.0.1",
            p->listen);
}
