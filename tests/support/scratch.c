/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "support/scratch.h"

#include <ftw.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>

#include <cmocka.h>

void scratch_make(char *path, size_t size)
{
    const char *parent = getenv("TMPDIR");
    int length = snprintf(path, size, "%s/wakedraw-test-XXXXXX", parent ? parent : "/tmp");
    assert_true(length > 0 && (size_t)length < size);
    assert_non_null(mkdtemp(path));
}

static int remove_one(const char *path, const struct stat *status, int kind, struct FTW *place)
{
    (void)status;
    (void)kind;
    (void)place;
    return remove(path);
}

void scratch_remove(const char *path)
{
    assert_int_equal(nftw(path, remove_one, 16, FTW_DEPTH | FTW_PHYS), 0);
}

void scratch_write(const char *path, const char *name, const void *content, size_t length,
                   char *file, size_t size)
{
    snprintf(file, size, "%s/%s", path, name);
    FILE *stream = fopen(file, "w");
    assert_non_null(stream);
    assert_int_equal(fwrite(content, 1, length, stream), length);
    assert_int_equal(fclose(stream), 0);
}
