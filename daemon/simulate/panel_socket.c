/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/panel_socket.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/time.h>
#include <sys/un.h>
#include <unistd.h>

enum { MOST_HANDS = PANEL_MOST_POLLED - 1, LONGEST_LINE = 600, LONGEST_REPLY = 2000 };

struct hand_at_panel {
    int fd;
    char line[LONGEST_LINE];
    size_t count;
};

struct panel_socket {
    char path[sizeof((struct sockaddr_un *)0)->sun_path];
    int listener;
    struct hand_at_panel hands[MOST_HANDS];
};

static int address_of(const char *path, struct sockaddr_un *address, struct error *error)
{
    *address = (struct sockaddr_un){.sun_family = AF_UNIX};
    if (path[0] == '\0' || strlen(path) >= sizeof address->sun_path)
        return error_set(error, EXIT_USAGE, path, 0, "a path of 1 to 107 characters", "found %zu",
                         strlen(path));
    snprintf(address->sun_path, sizeof address->sun_path, "%s", path);
    return 0;
}

static int connect_to(const struct sockaddr_un *address)
{
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd >= 0 && connect(fd, (const struct sockaddr *)address, sizeof *address) == 0)
        return fd;
    int why = errno;
    if (fd >= 0)
        close(fd);
    errno = why;
    return -1;
}

struct panel_socket *panel_socket_create(const char *path, struct error *error)
{
    struct sockaddr_un address;
    if (address_of(path, &address, error) != 0)
        return NULL;
    struct stat there;
    if (lstat(path, &there) == 0) {
        int other = S_ISSOCK(there.st_mode) ? connect_to(&address) : -1;
        if (other >= 0)
            close(other);
        if (other >= 0 || !S_ISSOCK(there.st_mode) || unlink(path) != 0) {
            error_set(error, EXIT_UNAVAILABLE, path, 0, "a free path",
                      other >= 0 ? "another panel is there" : "something else lies there");
            return NULL;
        }
    }
    struct panel_socket *panel = calloc(1, sizeof *panel);
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    if (!panel || fd < 0 || bind(fd, (struct sockaddr *)&address, sizeof address) != 0 ||
        listen(fd, 4) != 0) {
        error_set(error, EXIT_UNAVAILABLE, path, 0, NULL, "cannot listen: %s", strerror(errno));
        if (fd >= 0)
            close(fd);
        free(panel);
        return NULL;
    }
    snprintf(panel->path, sizeof panel->path, "%s", path);
    panel->listener = fd;
    for (int i = 0; i < MOST_HANDS; i++)
        panel->hands[i].fd = -1;
    return panel;
}

void panel_socket_destroy(struct panel_socket *panel)
{
    if (!panel)
        return;
    unlink(panel->path);
    close(panel->listener);
    for (int i = 0; i < MOST_HANDS; i++)
        if (panel->hands[i].fd >= 0)
            close(panel->hands[i].fd);
    free(panel);
}

int panel_socket_poll(const struct panel_socket *panel, struct pollfd *polled)
{
    int count = 0;
    if (!panel)
        return 0;
    polled[count++] = (struct pollfd){.fd = panel->listener, .events = POLLIN};
    for (int i = 0; i < MOST_HANDS; i++)
        if (panel->hands[i].fd >= 0)
            polled[count++] = (struct pollfd){.fd = panel->hands[i].fd, .events = POLLIN};
    return count;
}

/* Replies are short and read at once; a hand that does not read is let go. */
static bool send_reply(int fd, const char *reply)
{
    char line[LONGEST_REPLY + 2];
    int length = snprintf(line, sizeof line, "%s\n", reply);
    return write(fd, line, (size_t)length) == length;
}

static void hear(struct hand_at_panel *hand, struct simulator *simulator, double now_s)
{
    ssize_t count = read(hand->fd, hand->line + hand->count, sizeof hand->line - hand->count);
    if (count < 0 && (errno == EAGAIN || errno == EINTR))
        return;
    bool stays = count > 0;
    hand->count += count > 0 ? (size_t)count : 0;
    char *end = NULL;
    while (stays && (end = memchr(hand->line, '\n', hand->count)) != NULL) {
        size_t length = (size_t)(end - hand->line);
        *end = '\0';
        if (length > 0 && end[-1] == '\r')
            end[-1] = '\0';
        char reply[LONGEST_REPLY];
        simulator_panel(simulator, hand->line, now_s, reply, sizeof reply);
        stays = send_reply(hand->fd, reply);
        hand->count -= length + 1;
        memmove(hand->line, end + 1, hand->count);
    }
    if (stays && hand->count == sizeof hand->line) {
        stays = false;
        if (!send_reply(hand->fd, "error: found a line of 600 characters, expected a shorter one"))
            hand->count = 0;
    }
    if (!stays) {
        close(hand->fd);
        hand->fd = -1;
        hand->count = 0;
    }
}

static bool is_ready(const struct pollfd *polled, int count, int fd)
{
    for (int i = 0; i < count; i++)
        if (polled[i].fd == fd)
            return polled[i].revents != 0;
    return false;
}

void panel_socket_work(struct panel_socket *panel, const struct pollfd *polled, int count,
                       struct simulator *simulator, double now_s)
{
    if (!panel)
        return;
    for (int i = 0; i < MOST_HANDS; i++)
        if (panel->hands[i].fd >= 0 && is_ready(polled, count, panel->hands[i].fd))
            hear(&panel->hands[i], simulator, now_s);
    if (!is_ready(polled, count, panel->listener))
        return;
    int fd = accept4(panel->listener, NULL, NULL, SOCK_NONBLOCK | SOCK_CLOEXEC);
    for (int i = 0; i < MOST_HANDS && fd >= 0; i++) {
        if (panel->hands[i].fd < 0) {
            panel->hands[i] = (struct hand_at_panel){.fd = fd};
            return;
        }
    }
    if (fd >= 0)
        close(fd);
}

int panel_say(const char *path, const char *line, char *reply, unsigned long size,
              struct error *error)
{
    struct sockaddr_un address;
    if (address_of(path, &address, error) != 0)
        return -1;
    int fd = connect_to(&address);
    if (fd < 0)
        return error_set(error, EXIT_UNAVAILABLE, path, 0, "the panel of a running simulate", "%s",
                         strerror(errno));
    struct timeval patience = {.tv_sec = 5};
    setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof patience);
    char out[LONGEST_LINE];
    int length = snprintf(out, sizeof out, "%s\n", line);
    unsigned long count = 0;
    bool said = length < (int)sizeof out && write(fd, out, (size_t)length) == length;
    while (said && count + 1 < size) {
        ssize_t more = read(fd, reply + count, size - count - 1);
        if (more <= 0)
            break;
        count += (unsigned long)more;
        if (memchr(reply, '\n', count))
            break;
    }
    close(fd);
    reply[count] = '\0';
    reply[strcspn(reply, "\n")] = '\0';
    if (count == 0)
        return error_set(error, EXIT_IO, path, 0, "a reply within 5 s", "found none");
    return 0;
}
