/* What Python hands over is checked before a loop runs: a mistake is a ValueError, not a crash. */
#ifndef NEGCONV_CHECKS_H
#define NEGCONV_CHECKS_H

#include "_loops.h"

static inline int holds(const Py_buffer *b, idx items, idx size, const char *name)
{
    if (items >= 0 && b->len >= items * size) return 1;
    PyErr_Format(PyExc_ValueError, "%s holds %zd bytes, not %zd items of %zd", name, b->len, items, size);
    return 0;
}

static inline int inside(int fine, const char *what)
{
    if (!fine) PyErr_SetString(PyExc_ValueError, what);
    return fine;
}

static inline int below(const Py_buffer *b, idx n, idx end, const char *what)
{
    const int32_t *v = b->buf;
    int fine = 1;
    for (idx i = 0; i < n; i++) fine &= v[i] >= 0 && v[i] < end;
    return inside(fine, what);
}

static inline int rises(const Py_buffer *b, idx n)
{
    const int64_t *v = b->buf;
    int fine = n == 0 || v[0] >= 0;
    for (idx i = 1; i < n; i++) fine &= v[i] > v[i - 1];
    return inside(fine, "the index does not rise");
}

static inline int rises_on(const Py_buffer *b, idx n)
{
    const int32_t *v = b->buf;
    int fine = n == 0 || v[0] >= 0;
    for (idx i = 1; i < n; i++) fine &= v[i] > v[i - 1];
    return inside(fine, "the index does not rise");
}

/* Whether each of n whole numbers lies in low .. end - 1. */
static inline int between(const Py_buffer *b, idx n, int64_t low, int64_t end, const char *what)
{
    const int64_t *v = b->buf;
    int fine = 1;
    for (idx i = 0; i < n; i++) fine &= v[i] >= low && v[i] < end;
    return inside(fine, what);
}

/* Room for a loop, if all is well so far. */
static inline void *room_for(int fine, idx bytes)
{
    void *room = fine ? malloc((size_t)bytes + 1) : NULL;
    if (fine && !room) PyErr_NoMemory();
    return room;
}

static inline PyObject *done(int fine, Py_buffer *buffers[], size_t count)
{
    for (size_t i = 0; i < count; i++) PyBuffer_Release(buffers[i]);
    if (!fine) return NULL;
    Py_RETURN_NONE;
}
#define MANY(...) (sizeof((Py_buffer *[]){__VA_ARGS__}) / sizeof(Py_buffer *))
#define DONE(fine, ...) done(fine, (Py_buffer *[]){__VA_ARGS__}, MANY(__VA_ARGS__))
#define DONE_ALL(all, fine) done(fine, all, sizeof all / sizeof *all)

#endif
