/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/live.h"

#include "base/clock.h"
#include "base/log.h"

#include <math.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <pthread.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>

enum { BLOCK_BYTES = 16 * 1024, MOST_HANDED = 64 };

/* Guarded by the mutex of its live, as all here. */
struct frame {
    unsigned holders;
    bool is_reading;
    uint64_t id;
    double made_s; /* NAN: not timed */
    size_t length;
    char text[];
};

struct stream {
    struct live *live;
    struct MHD_Connection *connection;
    char address[64];
    char page[LIVE_LONGEST_PAGE + 1];
    bool suspended, ending;
    double joined_s; /* what was made before is not timed */
    struct frame *queue[LIVE_QUEUE_FRAMES];
    size_t first, count;
    size_t written;               /* of the first frame */
    size_t bytes;                 /* waiting */
    double handed_s[MOST_HANDED]; /* when the frames of the last block were made */
    size_t handed;
    struct stream *next;
};

struct live {
    pthread_mutex_t mutex;
    struct tally *tally;
    struct live_watcher watcher;
    uint64_t next_id;
    bool ending;
    struct stream *streams;
    size_t stream_count;
    struct frame *kept[LIVE_REPLAYED]; /* a ring; NULL where still empty */
    size_t kept_next;
};

struct live *live_create(struct tally *tally, uint64_t first_id)
{
    struct live *live = calloc(1, sizeof *live);
    if (!live)
        return NULL;
    pthread_mutex_init(&live->mutex, NULL);
    live->tally = tally;
    live->next_id = first_id > 0 ? first_id : 1;
    return live;
}

void live_watch(struct live *live, const struct live_watcher *watcher)
{
    live->watcher = *watcher;
}

static struct frame *frame_make(const char *text, size_t length, double made_s)
{
    struct frame *frame = malloc(sizeof *frame + length + 1);
    if (!frame)
        return NULL;
    *frame = (struct frame){.holders = 1, .made_s = made_s, .length = length};
    memcpy(frame->text, text, length);
    frame->text[length] = '\0';
    return frame;
}

static struct frame *frame_of_event(uint64_t id, const char *name, const char *data, double made_s)
{
    size_t room = strlen(name) + strlen(data) + 64;
    struct frame *frame = malloc(sizeof *frame + room);
    if (!frame)
        return NULL;
    int length = snprintf(frame->text, room, "id: %llu\nevent: %s\ndata: %s\n\n",
                          (unsigned long long)id, name, data);
    frame->holders = 1;
    frame->is_reading = strcmp(name, "reading") == 0;
    frame->id = id;
    frame->made_s = made_s;
    frame->length = (size_t)length;
    return frame;
}

static void frame_release(struct frame *frame)
{
    if (frame && --frame->holders == 0)
        free(frame);
}

void live_destroy(struct live *live)
{
    if (!live)
        return;
    for (size_t i = 0; i < LIVE_REPLAYED; i++)
        frame_release(live->kept[i]);
    pthread_mutex_destroy(&live->mutex);
    free(live);
}

static struct frame **place(struct stream *stream, size_t index)
{
    return &stream->queue[(stream->first + index) % LIVE_QUEUE_FRAMES];
}

/* Goes without the reading events that wait, but for one half written. */
static void shed_readings(struct stream *stream)
{
    size_t kept = 0;
    uint64_t lost = 0;
    for (size_t i = 0; i < stream->count; i++) {
        struct frame *frame = *place(stream, i);
        if (frame->is_reading && !(i == 0 && stream->written > 0)) {
            stream->bytes -= frame->length;
            frame_release(frame);
            lost++;
        } else {
            *place(stream, kept++) = frame;
        }
    }
    stream->count = kept;
    tally_count(stream->live->tally, TALLY_EVENTS_LOST, lost);
}

static bool has_room(const struct stream *stream, const struct frame *frame)
{
    return stream->count < LIVE_QUEUE_FRAMES && stream->bytes + frame->length <= LIVE_QUEUE_BYTES;
}

static void queue_frame(struct stream *stream, struct frame *frame)
{
    if (stream->ending)
        return;
    if (!has_room(stream, frame))
        shed_readings(stream);
    if (!has_room(stream, frame)) {
        if (frame->is_reading) {
            tally_count(stream->live->tally, TALLY_EVENTS_LOST, 1);
            return;
        }
        stream->ending = true;
        tally_count(stream->live->tally, TALLY_STREAMS_CUT, 1);
        return;
    }
    frame->holders++;
    *place(stream, stream->count++) = frame;
    stream->bytes += frame->length;
}

static void wake(struct stream *stream)
{
    if (!stream->suspended)
        return;
    stream->suspended = false;
    MHD_resume_connection(stream->connection);
}

static void keep_for_replay(struct live *live, struct frame *frame)
{
    frame_release(live->kept[live->kept_next]);
    frame->holders++;
    live->kept[live->kept_next] = frame;
    live->kept_next = (live->kept_next + 1) % LIVE_REPLAYED;
}

void live_publish(struct live *live, const char *name, const char *data)
{
    double made_s = clock_monotonic_s();
    if (strchr(data, '\n') || strchr(data, '\r')) {
        log_failure("a %s event was not sent: it is not one line", name);
        return;
    }
    pthread_mutex_lock(&live->mutex);
    struct frame *frame = frame_of_event(live->next_id, name, data, made_s);
    if (frame) {
        live->next_id++;
        if (strcmp(name, "verdict") == 0 || strcmp(name, "power-up") == 0)
            keep_for_replay(live, frame);
        for (struct stream *stream = live->streams; stream; stream = stream->next) {
            queue_frame(stream, frame);
            if (!frame->is_reading)
                wake(stream);
        }
        frame_release(frame);
    }
    pthread_mutex_unlock(&live->mutex);
    if (!frame)
        log_failure("a %s event was not sent: memory is out", name);
}

void live_pass_on(struct live *live)
{
    pthread_mutex_lock(&live->mutex);
    for (struct stream *stream = live->streams; stream; stream = stream->next)
        if (stream->count > 0 || stream->ending)
            wake(stream);
    pthread_mutex_unlock(&live->mutex);
}

/* The library asks for the next block only when the one before is with the
 * socket: then its frames are written. */
static void time_handed(struct stream *stream)
{
    double now_s = clock_monotonic_s();
    for (size_t i = 0; i < stream->handed; i++)
        tally_time(stream->live->tally, TALLY_EVENT_WRITE, now_s - stream->handed_s[i]);
    stream->handed = 0;
}

static size_t copy_frames(struct stream *stream, char *block, size_t most)
{
    size_t copied = 0;
    while (stream->count > 0 && copied < most && stream->handed < MOST_HANDED) {
        struct frame *frame = *place(stream, 0);
        size_t part = frame->length - stream->written;
        if (part > most - copied)
            part = most - copied;
        memcpy(block + copied, frame->text + stream->written, part);
        copied += part;
        stream->written += part;
        if (stream->written < frame->length)
            break;
        if (frame->made_s >= stream->joined_s)
            stream->handed_s[stream->handed++] = frame->made_s;
        stream->bytes -= frame->length;
        stream->written = 0;
        stream->first = (stream->first + 1) % LIVE_QUEUE_FRAMES;
        stream->count--;
        frame_release(frame);
    }
    return copied;
}

static ssize_t write_block(void *context, uint64_t position, char *block, size_t most)
{
    struct stream *stream = context;
    (void)position;
    pthread_mutex_lock(&stream->live->mutex);
    time_handed(stream);
    ssize_t result = MHD_CONTENT_READER_END_OF_STREAM;
    if (!stream->ending && !stream->live->ending) {
        result = (ssize_t)copy_frames(stream, block, most);
        if (result == 0) {
            stream->suspended = true;
            MHD_suspend_connection(stream->connection);
        }
    }
    pthread_mutex_unlock(&stream->live->mutex);
    return result;
}

static void leave(void *context)
{
    struct stream *stream = context;
    struct live *live = stream->live;
    pthread_mutex_lock(&live->mutex);
    struct stream **link = &live->streams;
    while (*link && *link != stream)
        link = &(*link)->next;
    if (*link) {
        *link = stream->next;
        live->stream_count--;
    }
    for (size_t i = 0; i < stream->count; i++)
        frame_release(*place(stream, i));
    pthread_mutex_unlock(&live->mutex);
    if (stream->page[0] && live->watcher.left)
        live->watcher.left(live->watcher.context, stream->page);
    free(stream);
}

static int socket_of(const struct stream *stream)
{
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(stream->connection, MHD_CONNECTION_INFO_CONNECTION_FD);
    return info ? info->connect_fd : -1;
}

/* Whoever lost the net says nothing at its end: then the heartbeat stays unacknowledged. */
static void end_when_unheard(const struct stream *stream)
{
    unsigned unheard_ms = LIVE_UNHEARD_MS;
    int descriptor = socket_of(stream);
    if (descriptor >= 0)
        setsockopt(descriptor, IPPROTO_TCP, TCP_USER_TIMEOUT, &unheard_ms, sizeof unheard_ms);
}

void live_end_left(struct live *live)
{
    pthread_mutex_lock(&live->mutex);
    for (struct stream *stream = live->streams; stream; stream = stream->next) {
        struct pollfd end = {.fd = socket_of(stream), .events = POLLRDHUP};
        if (stream->suspended && end.fd >= 0 && poll(&end, 1, 0) == 1 &&
            (end.revents & (POLLRDHUP | POLLHUP | POLLERR))) {
            stream->ending = true;
            wake(stream);
        }
    }
    pthread_mutex_unlock(&live->mutex);
}

static bool has_place(const struct live *live, const char *address)
{
    size_t same = 0;
    for (const struct stream *stream = live->streams; stream; stream = stream->next)
        same += strcmp(stream->address, address) == 0;
    return !live->ending && live->stream_count < LIVE_MOST_STREAMS && same < LIVE_MOST_PER_ADDRESS;
}

static bool greet(struct stream *stream, const char *greeting, uint64_t last_id)
{
    struct live *live = stream->live;
    char retry[32];
    int length = snprintf(retry, sizeof retry, "retry: %d\n\n", LIVE_RETRY_MS);
    struct frame *first = frame_make(retry, (size_t)length, (double)NAN);
    struct frame *second = frame_make(greeting, strlen(greeting), (double)NAN);
    bool made = first && second;
    if (made) {
        queue_frame(stream, first);
        queue_frame(stream, second);
    }
    frame_release(first);
    frame_release(second);
    for (size_t i = 0; made && last_id > 0 && i < LIVE_REPLAYED; i++) {
        struct frame *frame = live->kept[(live->kept_next + i) % LIVE_REPLAYED];
        if (frame && frame->id > last_id)
            queue_frame(stream, frame);
    }
    return made;
}

struct MHD_Response *live_join(struct live *live, struct MHD_Connection *connection,
                               const char *address, const char *page, const char *greeting,
                               uint64_t last_id)
{
    struct stream *stream = calloc(1, sizeof *stream);
    if (!stream)
        return NULL;
    stream->live = live;
    stream->connection = connection;
    stream->joined_s = clock_monotonic_s();
    snprintf(stream->address, sizeof stream->address, "%s", address);
    snprintf(stream->page, sizeof stream->page, "%s", page);
    struct MHD_Response *response = NULL;
    pthread_mutex_lock(&live->mutex);
    if (!has_place(live, address))
        tally_count(live->tally, TALLY_STREAMS_REFUSED, 1);
    else if (greet(stream, greeting, last_id))
        response = MHD_create_response_from_callback(MHD_SIZE_UNKNOWN, BLOCK_BYTES, write_block,
                                                     stream, leave);
    if (response) {
        stream->next = live->streams;
        live->streams = stream;
        live->stream_count++;
    } else {
        for (size_t i = 0; i < stream->count; i++)
            frame_release(*place(stream, i));
    }
    pthread_mutex_unlock(&live->mutex);
    if (!response) {
        free(stream);
        return NULL;
    }
    end_when_unheard(stream);
    if (stream->page[0] && live->watcher.joined)
        live->watcher.joined(live->watcher.context, stream->page);
    return response;
}

void live_end(struct live *live)
{
    pthread_mutex_lock(&live->mutex);
    live->ending = true;
    for (struct stream *stream = live->streams; stream; stream = stream->next)
        wake(stream);
    pthread_mutex_unlock(&live->mutex);
}

void live_state(struct live *live, size_t *streams, size_t *most_waiting)
{
    *most_waiting = 0;
    pthread_mutex_lock(&live->mutex);
    *streams = live->stream_count;
    for (struct stream *stream = live->streams; stream; stream = stream->next)
        if (stream->bytes > *most_waiting)
            *most_waiting = stream->bytes;
    pthread_mutex_unlock(&live->mutex);
}
