/* The inner loops of finding spots, over pixels that stand out and over what was measured of them.

   They lie in loops/, with what Python sees of them at the end of each file. Each function does what a few numpy operations in
   the module named above it do, to the rounding of sums; that module falls back on numpy where this file was not compiled, and
   tests/test_spots.py and test_repair.py hold the two together. Every length and every index is checked before a loop runs; none
   of them holds the interpreter's lock. */

#define PY_SSIZE_T_CLEAN
#include <Python.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include "../_checks.h"
#include "../_loops.h"

/* Vectors are to lie along what is within this loop: across its turns the compiler has to take them apart again. */
#if defined(__GNUC__)
#define IN_TURN(i) __asm__("" : "+r"(i))
#else
#define IN_TURN(i) (void)0
#endif

#if defined(__GNUC__)
#define FETCH(p) __builtin_prefetch(p)
#else
#define FETCH(p) (void)(p)
#endif

#define BLOCK 512 /* columns worked on at a time: with their rows they stay in the second cache */

#include "loops/planes.h"
#include "loops/lines.h"
#include "loops/parts.h"
#include "loops/outlines.h"
#include "loops/scores.h"
#include "loops/scratches.h"
#include "loops/kriging.h"

static PyMethodDef methods[] = {
    {"top_hat", py_top_hat, METH_VARARGS,
     "top_hat(plane, h, w, sign, side, tile, rows, columns, r0, r1, kept, out, peaks, tops)"},
    {"quantiles", py_quantiles, METH_VARARGS, "quantiles(padded, pitch, h, w, offsets, n, take, taken, out)"},
    {"in_steps", py_in_steps, METH_VARARGS, "in_steps(density, start, stop, scale, low, high, out)"},
    {"halve", py_halve, METH_VARARGS, "halve(plane, h, w, y0, y1, sign, out)"},
    {"turned", py_turned, METH_VARARGS, "turned(plane, h, w, out)"},
    {"tile_sums", py_tile_sums, METH_VARARGS, "tile_sums(plane, h, w, tile, rows, columns, r0, r1, mean, rough)"},
    {"over", py_over, METH_VARARGS,
     "over(height, h, w, tile, rows, columns, r0, r1, peaks, limit, threshold, room, index, value, at) -> pixels"},
    {"usual", py_usual, METH_VARARGS, "usual(plane, h, w, beside, lowest, tile, rows, columns, mean, size)"},
    {"even", py_even, METH_VARARGS, "even(plane, h, w, beside, lowest, tile, rows, columns, mean, scale, limit, out)"},
    {"pieces", py_pieces, METH_VARARGS, "pieces(value, strips, w, piece, least, out) -> pieces"},
    {"link", py_link, METH_VARARGS,
     "link(found, n, gap, piece, miss, turn, wider, missed, turned, skipped, score, back)"},
    {"trace", py_trace, METH_VARARGS, "trace(order, score, back, n, least, total, pieces, member) -> chains"},
    {"vote", py_vote, METH_VARARGS, "vote(found, weight, n, distances, many, h, w, cell, columns, votes)"},
    {"closed", py_closed, METH_VARARGS, "closed(score, k, n, m, bent, out)"},
    {"connect", py_connect, METH_VARARGS, "connect(index, n, width, part) -> count"},
    {"greatest", py_greatest, METH_VARARGS, "greatest(value, group, n, count, out)"},
    {"beside", py_beside, METH_VARARGS, "beside(index, n, move, at)"},
    {"ordered", py_ordered, METH_VARARGS, "ordered(value, n, order)"},
    {"rung", py_rung, METH_VARARGS,
     "rung(index, value, threshold, n, width, least, greatest, share, cap, base, kept, owner, at) -> pixels, parts, left"},
    {"tally", py_tally, METH_VARARGS, "tally(index, part, threshold, n, height, plane, size, out, count)"},
    {"some", py_some, METH_VARARGS, "some(index, part, threshold, n, take, number, count, room, kept, owner, at)"},
    {"form", py_form, METH_VARARGS, "form(index, part, n, count, width, out)"},
    {"across", py_across, METH_VARARGS,
     "across(index, part, threshold, n, height, plane, rows, width, full, full_rows, full_width, sign, scale, total, count, "
     "contrast, out, uneven)"},
    {"falls", py_falls, METH_VARARGS,
     "falls(index, part, threshold, n, height, rows, width, area, count, enough, deep, scale, linear, full_rows, full_width, "
     "known, back, bias, tables, low, steps, apart, fine, out)"},
    {"claim", py_claim, METH_VARARGS, "claim(index, owner, n, rank, count, place, best) -> places"},
    {"win", py_win, METH_VARARGS, "win(index, owner, n, rank, count, won)"},
    {"covers", py_covers, METH_VARARGS, "covers(index, owner, n, width, y, x, step, count, side, out)"},
    {"in_units", py_in_units, METH_VARARGS,
     "in_units(density, cover, count, size, ground, per_contrast, per_grain, in_contrast, in_grain, out)"},
    {"outlines", py_outlines, METH_VARARGS,
     "outlines(full, rows, width, sign, own_width, scale, index, owner, opening, n, half, count, crumb, least, whole) "
     "-> index, owner"},
    {"steps_along", py_steps_along, METH_VARARGS, "steps_along(index, part, n, count, width, step)"},
    {"straightened", py_straightened, METH_VARARGS, "straightened(plane, h, w, sign, points, normals, n, reach, out)"},
    {"laid", py_laid, METH_VARARGS,
     "laid(plane, h, w, sign, line, n, moves, turns, reach, block, out, points, normals, rows) -> points before, after"},
    {"resampled", py_resampled, METH_VARARGS, "resampled(points, n, block) -> points"},
    {"taken", py_taken, METH_VARARGS, "taken(cells, rows, columns, side, points, n) -> points"},
    {"take", py_take, METH_VARARGS, "take(cells, rows, columns, side, points, n)"},
    {"profile", py_profile, METH_VARARGS, "profile(rows, n, block, width, from, to, mean, out)"},
    {"strip_means", py_strip_means, METH_VARARGS,
     "strip_means(plane, h, w, points, cosine, sine, n, angles, step, aside, along, wide, out)"},
    {"convolved", py_convolved, METH_VARARGS, 
     "convolved(x, n, rows, columns, inputs, kernel, add, side, step, pool, outputs, out)"},
    {"walk", py_walk, METH_VARARGS,
     "walk(values, n, columns, edges, start, features, limits, leaves, depth, begin, stops, least, count, total)"},
    {"steps_out", py_steps_out, METH_VARARGS, "steps_out(planes, trust, h, w, colours, at, n, toe, out, number)"},
    {"greys", py_greys, METH_VARARGS, "greys(planes, size, colours, at, n, toe, out)"},
    {"spread", py_spread, METH_VARARGS, "spread(index, n, edge, m, h, w, near, all, fresh) -> pixels"},
    {"surroundings", py_surroundings, METH_VARARGS,
     "surroundings(planes, trust, h, w, colours, corner, n, window, block, toe, bell, light, seen, mean, grey, rest)"},
    {"correlation", py_correlation, METH_VARARGS, "correlation(grey, n, window, inner, bell, table, square)"},
    {"ring", py_ring, METH_VARARGS,
     "ring(seen, n, window, inner, reach, points, enough, begin, y, x, rim, thin, ring, ok, distance, near)"},
    {"looks", py_looks, METH_VARARGS, "looks(light, seen, near, n, colours, window, inner, grey, rough, share, noise)"},
    {"sources", py_sources, METH_VARARGS,
     "sources(grey, seen, n, window, begin, y, x, ring, weight, points, moves, tries, places, out)"},
    {"detail", py_detail, METH_VARARGS,
     "detail(rest, fill, begin, y, x, n, colours, rough, grain, part, strength, most, gain, out)"},
    {"solve", py_solve, METH_VARARGS,
     "solve(table, n, lags, place, points, zero, ok, diagonal, given, columns, out, left)"},
    {"limits", py_limits, METH_VARARGS, "limits(values, level, there, n, points, colours, beyond, low, high, spread)"},
    {"picked", py_picked, METH_VARARGS, "picked(values, n, colours, size, begin, place, out)"},
    {"put_together", py_put_together, METH_VARARGS,
     "put_together(both, left, low, high, mean, light, n, colours, size, begin, at, offset, base, fill, rest)"},
    {"predicted", py_predicted, METH_VARARGS,
     "predicted(table, n, lags, lag, begin, place, points, solved, columns, out)"},
    {NULL, NULL, 0, NULL}};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_loops", "Inner loops of finding spots.", -1, methods,
                                    NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__loops(void) { return PyModule_Create(&module); }
