/* The inner loops of the fused pass, and of finding frames.

   They lie in loops/, with what Python sees of them at the end of each file. Each function does what a few numpy operations in
   the module named above it do, without their trips to memory; that module falls back on numpy where this file was not
   compiled, and tests/test_kernel.py holds the two together. Arrays are contiguous float32 unless said; every length is checked
   before a loop runs; none of the functions holds the interpreter's lock. */

#define PY_SSIZE_T_CLEAN
#include <Python.h>
#include <limits.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#if defined(__GLIBC__)
#include <malloc.h>
#endif
#if defined(__unix__) || defined(__APPLE__)
#define HAVE_PREAD 1
#include <errno.h>
#include <unistd.h>
#endif
#include "_checks.h"
#include "_loops.h"

/* What a loop writes, it does not read again further on. */
#if defined(__GNUC__) && !defined(__clang__)
#define APART _Pragma("GCC ivdep")
#else
#define APART
#endif

#include "loops/strips.h"
#include "loops/tones.h"
#include "loops/rectangles.h"
#include "loops/sides.h"

static PyObject *py_keep_memory(PyObject *self, PyObject *nothing)
{
    (void)self, (void)nothing;
#if defined(__GLIBC__)
    mallopt(M_ARENA_MAX, 1);
    mallopt(M_MMAP_MAX, 0);
    mallopt(M_TRIM_THRESHOLD, INT_MAX);
#endif
    Py_RETURN_NONE;
}

static PyMethodDef methods[] = {
    {"halve", py_halve, METH_VARARGS, "halve(mosaic, pitch, top, left, rows, columns, place, black, white, out)"},
    {"block_mean", py_block_mean, METH_VARARGS, "block_mean(samples, wide, width, channels, k, rows, columns, scale, out)"},
    {"light", py_light, METH_VARARGS, 
     "light(samples, wide, width, left, n, count, field, fields, stride, x0, low, share, scale, out)"},
#if HAVE_PREAD
    {"read_window", py_read_window, METH_VARARGS, "read_window(file, at, pitch, n, count, out) -> whether the file goes so far"},
    {"file_means", py_file_means, METH_VARARGS,
     "file_means(file, at, height, width, channels, k, table, scale, ceiling, every, out, full) -> whether the file goes so far"},
#endif
    {"look_up", py_look_up, METH_VARARGS, "look_up(codes, n, table, out)"},
    {"shift_rows", py_shift_rows, METH_VARARGS, "shift_rows(rows, n, width, channels, low, weights, out, wide)"},
    {"shift_columns", py_shift_columns, METH_VARARGS, 
     "shift_columns(ring, lines, stride, y, n, starts, lows, runs, weights, out)"},
    {"develop", py_develop, METH_VARARGS,
     "develop(light, n, channels, before, held, unmix, weights, tables, entries, after, bias, tiny, zero, last, out, density)"},
    {"encode", py_encode, METH_VARARGS, "encode(linear, n, channels, matrix, luminance, tone, tones, top, codes, entries, bits, out)"},
    {"log_planes", py_log_planes, METH_VARARGS, "log_planes(light, n, floor, out)"},
    {"light_of", py_light_of, METH_VARARGS, "light_of(log, n, out)"},
    {"even", py_even, METH_VARARGS, "even(plane, h, w, limit, darkest, out)"},
    {"fit_round", py_fit_round, METH_VARARGS, "fit_round(light, terms, n, surface, mean, tolerance, a, b) -> count"},
    {"brightest", py_brightest, METH_VARARGS,
     "brightest(tones, light, terms, n, need, reach, rounds, ridge, usual, out) -> how many pixels, or -1"},
    {"keep_darker", py_keep_darker, METH_VARARGS, "keep_darker(tones, light, terms, n, surface, mean, less) -> how many"},
    {"below", py_below, METH_VARARGS, "below(log, h, w, across, x, down, cross, base, density, low, high)"},
    {"kinds", py_kinds, METH_VARARGS, "kinds(log, density, low, high, h, w, black, beyond, tolerance, near, bare, out)"},
    {"enclosed", py_enclosed, METH_VARARGS, "enclosed(kinds, h, w, out)"},
    {"edges", py_edges, METH_VARARGS, "edges(kinds, density, h, w, axis, sign, more, deep, soft, rebate, holder)"},
    {"line_up", py_line_up, METH_VARARGS, "line_up(along, across, value, n, slopes, m, out)"},
    {"turn", py_turn, METH_VARARGS, "turn(kinds, density, h, w, x0, y0, x1, y1, rows, columns, kind, to)"},
    {"crossings", py_crossings, METH_VARARGS, "crossings(profile, light, rows, n, across, guess, window, wide, at, rise)"},
    {"counts", py_counts, METH_VARARGS, "counts(plane, h, w, rows, columns)"},
    {"gate", py_gate, METH_VARARGS, "gate(kinds, h, w, axis, sign, deep, out)"},
    {"area_sums", py_area_sums, METH_VARARGS, "area_sums(kinds, h, w, weights, out)"},
    {"sum_down", py_sum_down, METH_VARARGS, "sum_down(plane, h, w, across, out)"},
    {"sum_along", py_sum_along, METH_VARARGS, "sum_along(plane, h, w, out)"},
    {"content", py_content, METH_VARARGS, "content(kinds, h, w, by, out)"},
    {"outside", py_outside, METH_VARARGS, "outside(plane, h, w, axis, before, after)"},
    {"faded", py_faded, METH_VARARGS, "faded(edges, n, over, table, entries, out)"},
    {"near_within", py_near_within, METH_VARARGS, "near_within(plane, h, w, low, high, axis, sign, reach, out)"},
    {"best_comb", py_best_comb, METH_VARARGS,
     "best_comb(enter, leave, filled, n, wide, gap, first, last, high, filling, gapped, inside) -> (value, start, ends, gaps) or None"},
    {"tally", py_tally, METH_VARARGS, "tally(kinds, h, w, top, bottom, left, right, out)"},
    {"boxes", py_boxes, METH_VARARGS, "boxes(plane, h, w, least, longest, out) -> how many"},
    {"mates", py_mates, METH_VARARGS, "mates(top, bottom, wide, n, least, longer, out)"},
    {"edges_within", py_edges_within, METH_VARARGS, "edges_within(plane, h, w, low, high, axis, out)"},
    {"tallies", py_tallies, METH_VARARGS, "tallies(kinds, h, w, low, high, axis, out)"},
    {"brighter", py_brighter, METH_VARARGS, "brighter(log, n, level, every, out)"},
    {"evened", py_evened, METH_VARARGS, "evened(plane, close, h, w, out)"},
    {"over_tone", py_over_tone, METH_VARARGS,
     "over_tone(log, h, w, across, x, down, cross, base, within, gain, kept, out, None), or (... gain, far, 0, out, mean)"},
    {"line_sums", py_line_sums, METH_VARARGS,
     "line_sums(kinds, rebate, holder, h, w, axis, sign, letters, at, what, n, edge, beyond)"},
    {"fit_line", py_fit_line, METH_VARARGS,
     "fit_line(s, at, weight, n, early, settled, offset, slope, bend) -> ((offset, slope, bend), scatter)"},
    {"logs_at", py_logs_at, METH_VARARGS, "logs_at(light, h, w, x, y, n, floor, out)"},
    {"keep_memory", py_keep_memory, METH_NOARGS, "keep_memory()"},
    {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_kernel", "Inner loops of the fused pass.", -1, methods,
                                    NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__kernel(void) { return PyModule_Create(&module); }
