/* Of rectangles, gate and faint: evidence of edges, sums and maps of them. */

/* rectangles.edge_maps: evidence of an edge between two pixels, one of them outside it and the other inside. */
WIDEST static void rebate_row(const uint8_t *kind, const float *outside, const float *inside, idx n, float more, float *out)
{
    const float scale = (float)(1 / 0.06);
    APART
    for (idx i = 0; i < n; i++) {
        const float a = least(most(outside[i], 0.0f), 0.4f) * scale + more, b = least(most(inside[i], 0.0f), 0.4f) * scale;
        const float value = least(most(b - a, 0.0f), 1.0f);
        out[i] = is_clear(kind[i]) ? value : 0.0f;
    }
}

WIDEST static void holder_row(const uint8_t *outside, const uint8_t *inside, const uint8_t *deep, const uint8_t *soft, idx n,
                              uint8_t *out)
{
    APART
    for (idx i = 0; i < n; i++)
        out[i] = (uint8_t)((outside[i] == DARK_) & (inside[i] == PICTURE_) & (deep[i] == PICTURE_) & (soft[i] == PICTURE_));
}

INLINE idx wrapped(idx i, idx n) { return (i % n + n) % n; }

static void edges_down(const uint8_t *kinds, const float *density, idx h, idx w, idx sign, float more, float *rebate,
                       uint8_t *holder, idx deep, idx soft)
{
    for (idx y = 0; y < h; y++) {
        if (y < ASIDE || y >= h - ASIDE) {
            memset(rebate + y * w, 0, w * sizeof *rebate);
            if (holder) memset(holder + y * w, 0, w);
            continue;
        }
        const idx out = (y - sign * ASIDE) * w, in = (y + sign * ASIDE) * w;
        rebate_row(kinds + out, density + out, density + in, w, more, rebate + y * w);
        if (holder)
            holder_row(kinds + out, kinds + in, kinds + wrapped(y + sign * deep, h) * w, kinds + wrapped(y + sign * soft, h) * w, w,
                       holder + y * w);
    }
}

static void edges_across(const uint8_t *kinds, const float *density, idx h, idx w, idx sign, float more, float *rebate,
                         uint8_t *holder, idx deep, idx soft)
{
    const idx reach = deep > soft ? deep : soft, low = reach < w - ASIDE ? reach : w - ASIDE, high = w - reach > low ? w - reach : low;
    for (idx y = 0; y < h; y++) {
        const uint8_t *kind = kinds + y * w;
        const float *row = density + y * w;
        float *to = rebate + y * w;
        for (idx x = 0; x < ASIDE; x++) to[x] = to[w - 1 - x] = 0.0f;
        rebate_row(kind + ASIDE - sign * ASIDE, row + ASIDE - sign * ASIDE, row + ASIDE + sign * ASIDE, w - 2 * ASIDE, more,
                   to + ASIDE);
        if (!holder) continue;
        uint8_t *lit = holder + y * w;
        for (idx x = 0; x < ASIDE; x++) lit[x] = lit[w - 1 - x] = 0;
        /* Close to the border the view wraps round. */
        for (idx x = ASIDE; x < w - ASIDE; x++) {
            if (x == low) x = high;
            if (x >= w - ASIDE) break;
            lit[x] = (uint8_t)((kind[x - sign * ASIDE] == DARK_) & (kind[x + sign * ASIDE] == PICTURE_)
                               & (kind[wrapped(x + sign * deep, w)] == PICTURE_) & (kind[wrapped(x + sign * soft, w)] == PICTURE_));
        }
        if (high > low)
            holder_row(kind + low - sign * ASIDE, kind + low + sign * ASIDE, kind + low + sign * deep, kind + low + sign * soft,
                       high - low, lit + low);
    }
}

/* rectangles.best_turn: how well points line up along `slope`: the sum of powers 5/2 of what falls on each two lines. */
static double lined_up(const double *along, const double *across, const double *value, idx n, double slope, double low,
                       double *bins, idx size)
{
    double total = 0.0;
    memset(bins, 0, size * sizeof *bins);
    for (idx i = 0; i < n; i++) bins[(idx)(across[i] - slope * along[i] - low + 1)] += value[i];
    for (idx i = 1; i < size; i++) {
        const double pair = bins[i] + bins[i - 1];
        total += pair * pair * sqrt(pair);
    }
    return total;
}

/* rectangles.turned: the nearest pixel of either plane, BLOCK of them at a time. */
WIDEST static void turn_row(const uint8_t *kinds, const float *density, idx h, idx w, const float *x0, const float *y0, float x1,
                            float y1, idx n, uint8_t *kind, float *to)
{
    const int32_t right = (int32_t)w, bottom = (int32_t)h;
    int32_t at[BLOCK];
    for (idx from = 0; from < n; from += BLOCK) {
        const idx m = n - from < BLOCK ? n - from : BLOCK;
        for (idx i = 0; i < m; i++) {
            const int32_t x = (int32_t)(x0[from + i] - x1), y = (int32_t)(y0[from + i] + y1);
            at[i] = (x >= 1) & (x < right) & (y >= 1) & (y < bottom) ? y * right + x : 0;
        }
        for (idx i = 0; i < m; i++) {
            to[from + i] = density[at[i]];
            kind[from + i] = at[i] ? kinds[at[i]] : VOID_;
        }
    }
}

/* rectangles.counts: how many pixels of each row, and of each column, are set. */
WIDEST static void counts(const uint8_t *plane, idx h, idx w, int64_t *rows, uint32_t *columns)
{
    memset(columns, 0, w * sizeof *columns);
    for (idx y = 0; y < h; y++) {
        const uint8_t *row = plane + y * w;
        uint32_t sum = 0;
        for (idx x = 0; x < w; x++) {
            const uint32_t one = row[x] != 0;
            columns[x] += one;
            sum += one;
        }
        rows[y] = sum;
    }
}

/* rectangles._gate: of each row, or each column, how many pixels are dark just outside it and clear further inside. */
WIDEST static uint32_t meets(const uint8_t *outside, const uint8_t *inside, idx n, uint32_t *sums)
{
    uint32_t sum = 0;
    for (idx i = 0; i < n; i++) {
        const uint32_t one = (outside[i] == DARK_) & is_clear(inside[i]);
        if (sums) sums[i] += one;
        sum += one;
    }
    return sum;
}

static void gate_down(const uint8_t *kinds, idx h, idx w, idx sign, idx deep, uint32_t *sums)
{
    for (idx y = ASIDE; y < h - ASIDE; y++)
        sums[y] = meets(kinds + (y - sign * ASIDE) * w, kinds + wrapped(y + sign * deep, h) * w, w, NULL);
}

static void gate_across(const uint8_t *kinds, idx h, idx w, idx sign, idx deep, uint32_t *sums)
{
    const idx low = deep < w - ASIDE ? deep : w - ASIDE, high = w - deep > low ? w - deep : low;
    for (idx y = 0; y < h; y++) {
        const uint8_t *row = kinds + y * w;
        for (idx x = ASIDE; x < w - ASIDE; x++) {
            if (x == low) x = high;
            if (x >= w - ASIDE) break;
            sums[x] += (row[x - sign * ASIDE] == DARK_) & is_clear(row[wrapped(x + sign * deep, w)]);
        }
        if (high > low) meets(row + low - sign * ASIDE, row + low + sign * deep, high - low, sums + low);
    }
}

/* rectangles.rectangles: running sums, down and along, of what every second pixel is worth. */
static void area_sums(const uint8_t *kinds, idx h, idx w, const double *weights, double *out)
{
    const idx rows = (h + 1) / 2, columns = (w + 1) / 2, pitch = columns + 1;
    double *down = out;                                 /* the first row, till it is cleared at the end */
    memset(out, 0, pitch * sizeof *out);
    for (idx y = 0; y < rows; y++) {
        const uint8_t *row = kinds + 2 * y * w;
        double *to = out + (y + 1) * pitch, sum = 0.0;
        to[0] = 0.0;
        for (idx x = 0; x < columns; x++) down[x + 1] += weights[row[2 * x]];
        for (idx x = 0; x < columns; x++) to[x + 1] = sum += down[x + 1];
    }
    memset(out, 0, pitch * sizeof *out);
}

/* rectangles._extent: running sums down, or across, every second pixel; of one across, in a plane that is turned over. */
static void sum_down(const uint8_t *plane, idx h, idx w, int across, int32_t *out)
{
    const idx rows = ((across ? w : h) + 1) / 2, columns = ((across ? h : w) + 1) / 2;
    const idx down = across ? 2 : 2 * w, along = across ? 2 * w : 2;
    memset(out, 0, columns * sizeof *out);
    for (idx y = 0; y < rows; y++) {
        const uint8_t *row = plane + y * down;
        int32_t *to = out + (y + 1) * columns;
        for (idx x = 0; x < columns; x++) to[x] = to[x - columns] + row[x * along];
    }
}

/* faint.faint_rectangle: running sums along rows, with a row and a column of nothing before them. */
static void sum_along(const float *plane, idx h, idx w, float *out)
{
    memset(out, 0, (w + 1) * sizeof *out);
    for (idx y = 0; y < h; y++) {
        float *to = out + (y + 1) * (w + 1), sum = 0.0f;
        to[0] = 0.0f;
        for (idx x = 0; x < w; x++) to[x + 1] = sum += plane[y * w + x];
    }
}

/* faint.content: picture further than `by` pixels, along rows and columns, from holder and what is out of view, with at least
   two of its four neighbours. `shut` and `lit` are planes to work in. */
WIDEST static void content(const uint8_t *kinds, idx h, idx w, idx by, uint8_t *shut, uint8_t *lit, uint8_t *out)
{
    for (idx y = 0; y < h; y++) {
        uint8_t *row = out + y * w, *to = lit + y * w;
        const idx first = y > by ? y - by : 0, last = y + by < h ? y + by : h - 1;
        memset(row, 0, w);
        for (idx z = first; z <= last; z++)
            for (idx x = 0; x < w; x++) row[x] |= (kinds[z * w + x] == DARK_) | (kinds[z * w + x] == VOID_);
        /* A row of nothing on both sides of this one. */
        memset(shut, 0, w + 2 * by);
        for (idx z = 0; z <= 2 * by; z++)
            for (idx x = 0; x < w; x++) shut[z + x] |= row[x];
        for (idx x = 0; x < w; x++) to[x] = (uint8_t)((kinds[y * w + x] == PICTURE_) & !shut[by + x]);
    }
    memcpy(out, lit, h * w);
    for (idx y = 1; y + 1 < h; y++) {
        const uint8_t *row = lit + y * w;
        for (idx x = 1; x < w - 1; x++)
            out[y * w + x] = (uint8_t)(row[x] & (row[x - w] + row[x + w] + row[x - 1] + row[x + 1] >= 2));
    }
}

/* faint.running: how many pixels of every column are set from its first on, and from its last on; or of every row. */
WIDEST static void outside(const uint8_t *plane, idx h, idx w, float *before, float *after)
{
    for (idx y = 0; y < h; y++)
        for (idx x = 0; x < w; x++) before[y * w + x] = (y ? before[(y - 1) * w + x] : 0.0f) + plane[y * w + x];
    const float *all = before + (h - 1) * w;
    for (idx y = 0; y < h; y++)
        for (idx x = 0; x < w; x++) after[y * w + x] = all[x] - before[y * w + x] + plane[y * w + x];
}

WIDEST static void outside_along(const uint8_t *plane, idx h, idx w, float *before, float *after)
{
    for (idx y = 0; y < h; y++, plane += w, before += w, after += w) {
        int32_t sum = 0;
        for (idx x = 0; x < w; x++) before[x] = (float)(sum += plane[x]);
        for (idx x = 0; x < w; x++) after[x] = (float)sum - before[x] + plane[x];
    }
}

/* faint.faded: evidence of an edge, by how many pixels are exposed outside; most places have none. */
static void faded(const float *edges, idx n, const float *over, const float *table, idx entries, float *out)
{
    for (idx i = 0; i < n; i++) {
        uint64_t some[4];
        if (i + 8 <= n) {
            memcpy(some, edges + i, sizeof some);
            if (!((some[0] | some[1] | some[2] | some[3]) & 0x7fffffff7fffffff)) {
                memset(out + i, 0, sizeof some);
                i += 7;
                continue;
            }
        }
        out[i] = edges[i] > 0 ? edges[i] * table[within((idx)over[i], 0, entries - 1)] : 0.0f;
    }
}

/* faint._ends: of each column between two rows, or each row between two columns, how many pixels are set or have one set within
   `reach` pixels further along `sign`, all round. */
WIDEST static void near_within(const uint8_t *plane, idx h, idx w, idx low, idx high, int axis, idx sign, idx reach, uint8_t *some,
                               int32_t *out)
{
    memset(out, 0, (axis ? h : w) * sizeof *out);
    for (idx y = axis ? 0 : low; y < (axis ? h : high); y++) {
        const uint8_t *row = plane + y * w;
        if (axis) {
            int32_t sum = 0;
            memcpy(some, row, w);
            for (idx step = 1; step < reach; step++) {
                const uint8_t *other = plane + wrapped(y + sign * step, h) * w;
                for (idx x = low; x < high; x++) some[x] |= other[x];
            }
            for (idx x = low; x < high; x++) sum += some[x];
            out[y] = sum;
            continue;
        }
        /* The row, and what it goes on with past its end. */
        for (idx x = 0; x < reach; x++) some[x] = row[wrapped(x - reach, w)], some[reach + w + x] = row[x % w];
        memcpy(some + reach, row, w);
        for (idx step = 0; step < reach; step++)
            for (idx x = 0; x < w; x++) some[2 * reach + w + x] = (step ? some[2 * reach + w + x] : 0) | some[reach + x + sign * step];
        for (idx x = 0; x < w; x++) out[x] += some[2 * reach + w + x];
    }
}

/* faint.best_comb: of pictures `wide` at one pitch, from which place on they lie best; see there for what counts. */
typedef struct {
    const double *enter, *leave, *filled;
    idx n, wide, gap, first, last;
    double high, filling, gapped, inside;
} comb;

static idx best_comb(comb c, double *best, double *ends, double *gaps)
{
    const idx pitch = c.wide + c.gap, count_most = (c.last - c.first + c.gap) / pitch, clear = c.gap - 3 > 2 ? c.gap - 3 : 2;
    const idx room = c.last - c.first - 2 * pitch + c.gap + 1, stop = c.first + (pitch < room ? pitch : room);
    const double total = c.filled[c.n - 1] > 1.0 ? c.filled[c.n - 1] : 1.0;
    idx found = -1;
    for (idx start = c.first; start < stop; start += 2) {
        double seen = 0.0, quality = 0.0, held = 0.0, spoilt = 0.0;
        idx count = 0, pairs = 0, before = -2;
        for (idx k = 0; k < count_most; k++) {
            const idx low = start + k * pitch, far = low + c.wide;
            if (far > c.last) break;
            const double here = c.filled[far] - c.filled[low];
            held += here;
            if (!(here > c.filling)) continue;
            const idx after = far + 2, ahead = low - 2 - clear, end = c.n - 1;
            spoilt += (c.filled[within(after + clear, 0, end)] - c.filled[within(after, 0, end)]
                       + c.filled[within(ahead + clear, 0, end)] - c.filled[within(ahead, 0, end)]) / (c.high * clear);
            seen += c.enter[low] + c.leave[far];
            if (before == k - 1) {
                pairs++;
                quality += (c.leave[far - pitch] + c.enter[low]) / 2 - c.gapped;
            }
            before = k;
            count++;
        }
        if (count < 2 || pairs < count - 1) continue;
        const double share = seen / count, between = 0.6 * quality - 2.5 * spoilt, value = share + between + c.inside * held / total;
        if (found < 0 || value > *best) found = start, *best = value, *ends = share, *gaps = between;
    }
    return found;
}

/* frame._attempt: how many pixels of each kind there are in a rectangle. */
static void tally(const uint8_t *kinds, idx w, idx top, idx bottom, idx left, idx right, int64_t *out)
{
    int64_t n[4][8] = {{0}};
    for (idx y = top; y < bottom; y++)
        for (idx x = left; x < right; x++) n[x & 3][kinds[y * w + x] & 7]++;
    for (int k = 0; k < 5; k++) out[k] = n[0][k] + n[1][k] + n[2][k] + n[3][k];
}

/* gate._boxes: top, bottom, left, right of the 8-connected parts of a plane, in the order in which they are met, of those whose
   sides are longer than `least` and shorter than `longest`; how many, or -1 where there is no memory. */
static idx root_of(int32_t *root, idx i)
{
    while (root[i] != i) i = root[i] = root[root[i]];
    return i;
}

static idx boxes(const uint8_t *plane, idx h, idx w, idx least_, double longest, int32_t *out)
{
    idx n = 0, room = 4096, found = 0;
    int32_t *runs = PyMem_RawMalloc((size_t)room * 6 * sizeof *runs), *root; /* first, last + 1, top, bottom, left, right */
    if (!runs) return -1;
    for (idx y = 0; y < h; y++) {
        const uint8_t *row = plane + y * w;
        for (idx x = 0; x < w; x++) {
            if (x + 8 <= w) {
                uint64_t eight;
                memcpy(&eight, row + x, 8);
                if (!eight) {
                    x += 7;
                    continue;
                }
            }
            if (!row[x]) continue;
            const idx start = x;
            while (x < w && row[x]) x++;
            if (n == room) {
                int32_t *more = PyMem_RawRealloc(runs, (size_t)(room *= 2) * 6 * sizeof *runs);
                if (!more) return PyMem_RawFree(runs), -1;
                runs = more;
            }
            int32_t *run = runs + 6 * n++;
            run[0] = run[4] = (int32_t)start, run[1] = run[5] = (int32_t)x, run[2] = (int32_t)y, run[3] = (int32_t)y + 1;
        }
    }
    if (!(root = PyMem_RawMalloc((size_t)(n + 1) * sizeof *root))) return PyMem_RawFree(runs), -1;
    for (idx i = 0; i < n; i++) root[i] = (int32_t)i;
    for (idx i = 0, j = 0; i < n; i++) {
        const int32_t *run = runs + 6 * i;
        /* Of the row above, the runs that touch this one, corners included. */
        while (j < i && (runs[6 * j + 2] < run[2] - 1 || (runs[6 * j + 2] == run[2] - 1 && runs[6 * j + 1] < run[0]))) j++;
        for (idx k = j; k < i && runs[6 * k + 2] == run[2] - 1 && runs[6 * k] <= run[1]; k++) {
            const idx a = root_of(root, i), b = root_of(root, k);
            root[a > b ? a : b] = (int32_t)(a > b ? b : a);
        }
    }
    for (idx i = 0; i < n; i++) {
        const idx at = root_of(root, i);
        int32_t *to = runs + 6 * at;
        const int32_t *run = runs + 6 * i;
        if (at == i) continue;
        to[3] = run[2] + 1 > to[3] ? run[2] + 1 : to[3];
        to[4] = run[0] < to[4] ? run[0] : to[4];
        to[5] = run[1] > to[5] ? run[1] : to[5];
    }
    for (idx i = 0; i < n; i++) {
        const int32_t *run = runs + 6 * i;
        const idx high = run[3] - run[2], wide = run[5] - run[4];
        if (root[i] != i || high <= least_ || wide <= least_ || !(high < longest && wide < longest)) continue;
        memcpy(out + 4 * found++, run + 2, 4 * sizeof *out);
    }
    PyMem_RawFree(runs);
    PyMem_RawFree(root);
    return found;
}

/* gate._rows: which of some boxes have at least `least_` like them, themselves included. */
WIDEST static void mates(const double *top, const double *bottom, const double *wide, idx n, idx least_, double longer, uint8_t *out)
{
    for (idx i = 0; i < n; i++) {
        const double off = 0.15 * wide[i] > 1.5 ? 0.15 * wide[i] : 1.5, unit = wide[i] / longer;
        const double aside = 0.25 * unit > 2.0 ? 0.25 * unit : 2.0;
        idx count = 0;
        for (idx j = 0; j < n; j++)
            count += (fabs(wide[j] - wide[i]) <= off) & (fabs(top[j] - top[i]) <= aside) & (fabs(bottom[j] - bottom[i]) <= aside);
        out[i] = count >= least_;
    }
}

/* rectangles._slots: of each column between two rows, or each row between two columns, how much evidence there is on it or on
   one beside it. */
WIDEST static void edges_within(const float *plane, idx h, idx w, idx low, idx high, int axis, float *out)
{
    const idx n = axis ? h : w;
    memset(out, 0, n * sizeof *out);
    if (!axis) {
        for (idx y = low; y < high; y++) {
            const float *row = plane + y * w;
            out[0] += most(most(row[w - 1], row[w > 1]), row[0]);
            out[w - 1] += w > 1 ? most(most(row[w - 2], row[0]), row[w - 1]) : 0.0f;
            for (idx x = 1; x < w - 1; x++) out[x] += most(most(row[x - 1], row[x + 1]), row[x]);
        }
        return;
    }
    for (idx y = 0; y < h; y++) {
        const float *row = plane + y * w, *before = plane + (y ? y - 1 : h - 1) * w, *after = plane + (y + 1 < h ? y + 1 : 0) * w;
        double sum[8] = {0.0};
        idx x = low;
        for (; x + 8 <= high; x += 8)
            for (int k = 0; k < 8; k++) sum[k] += most(most(before[x + k], after[x + k]), row[x + k]);
        for (; x < high; x++) sum[0] += most(most(before[x], after[x]), row[x]);
        out[y] = (float)(((sum[0] + sum[1]) + (sum[2] + sum[3])) + ((sum[4] + sum[5]) + (sum[6] + sum[7])));
    }
}

/* rectangles._slots: of each column between two rows, or each row between two columns, how many pixels are of each kind. */
WIDEST static void tallies(const uint8_t *kinds, idx h, idx w, idx low, idx high, int axis, int32_t *out)
{
    const idx n = axis ? h : w;
    memset(out, 0, 5 * n * sizeof *out);
    for (idx y = axis ? 0 : low; y < (axis ? h : high); y++) {
        const uint8_t *row = kinds + y * w;
        for (int kind = 0; kind < 5; kind++) {
            int32_t *to = out + kind * n;
            if (axis) {
                int32_t sum = 0;
                for (idx x = low; x < high; x++) sum += row[x] == kind;
                to[y] = sum;
            } else {
                for (idx x = 0; x < w; x++) to[x] += row[x] == kind;
            }
        }
    }
}

/* rectangles._lines: along one candidate, a row or a column, running sums of the evidence of a side, and of picture outside. */
static void line_sums(const uint8_t *kinds, const float *rebate, const uint8_t *holder, idx h, idx w, int axis, idx sign, idx at, idx what,
                      idx letters, double *edge, double *beyond)
{
    const idx n = axis ? w : h, length = axis ? h : w, step = axis ? 1 : w, along = axis ? w : 1;
    const idx low = at > 2 ? at - 2 : 0, high = at + 3 < n ? at + 3 : n, deep = at - sign * letters;
    idx first, last;
    if (sign > 0)
        first = at > 3 ? at - 3 : 0, last = at > 2 ? at - 1 : 1;
    else
        first = at + 2 < n - 1 ? at + 2 : n - 1, last = at + 4 < n ? at + 4 : n;
    edge[0] = beyond[0] = 0.0;
    for (idx i = 0; i < length; i++) {
        const idx here = i * along;
        double seen = 0.0;
        if (what == 0) {
            float value = rebate[here + low * step];
            for (idx k = low + 1; k < high; k++) value = most(value, rebate[here + k * step]);
            seen = value;
        } else if (what == 1) {
            for (idx k = low; k < high; k++) seen = holder[here + k * step] ? 1.0 : seen;
        } else {
            seen = kinds[here + within(at + sign * INWARDS, 0, n - 1) * step] == DARK_;
        }
        int outside = 1;
        for (idx k = first; k < last; k++) outside &= kinds[here + k * step] == PICTURE_;
        /* Print, or a holder's penumbra, beyond a sliver of rebate. */
        if (what == 0) outside &= seen < 0.3;
        const int lasts = deep >= 0 && deep < n && kinds[here + deep * step] == PICTURE_;
        edge[i + 1] = edge[i] + seen;
        beyond[i + 1] = beyond[i] + (outside ? lasts ? 1.0 : 0.5 : 0.0);
    }
}

/* --- what Python sees --- */

static PyObject *py_edges(PyObject *self, PyObject *args)
{
    Py_buffer kinds, density, rebate, holder;
    idx h, w, sign, deep, soft;
    int axis;
    float more;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*nninfnnw*z*", &kinds, &density, &h, &w, &axis, &sign, &more, &deep, &soft, &rebate, &holder))
        return NULL;
    Py_buffer *all[] = {&kinds, &density, &rebate, &holder};
    const int fine = inside((axis ? w : h) >= 2 * ASIDE && h >= 0 && w >= 0 && (sign == 1 || sign == -1) && deep >= ASIDE && soft >= ASIDE,
                            "no edges in so small a plane")
                     && holds(&kinds, h * w, 1, "kinds") && holds(&density, h * w, 4, "density") && holds(&rebate, h * w, 4, "rebate")
                     && (!holder.buf || (inside(!holder.readonly, "holder cannot be written") && holds(&holder, h * w, 1, "holder")));
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        (axis ? edges_across : edges_down)(kinds.buf, density.buf, h, w, sign, more, rebate.buf, holder.buf, deep, soft);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_line_up(PyObject *self, PyObject *args)
{
    Py_buffer along, across, value, slopes, out;
    idx n, m, room = 0;
    double *bins = NULL;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*ny*nw*", &along, &across, &value, &n, &slopes, &m, &out)) return NULL;
    Py_buffer *all[] = {&along, &across, &value, &slopes, &out};
    const double *a = along.buf, *b = across.buf, *slope = slopes.buf;
    int fine = inside(n > 0 && m >= 0, "no points") && holds(&along, n, 8, "along") && holds(&across, n, 8, "across")
               && holds(&value, n, 8, "value") && holds(&slopes, m, 8, "slopes") && holds(&out, m, 8, "out");
    for (idx k = 0; fine && k < m; k++) {
        double low = INFINITY, high = -INFINITY;
        int finite = 1;
        for (idx i = 0; i < n; i++) {
            const double at = b[i] - slope[k] * a[i];
            low = at < low ? at : low;
            high = at > high ? at : high;
            finite &= at - at == 0;
        }
        if (!(fine = inside(finite && high - low < 1e7, "the points lie too far apart"))) break;
        const idx size = (idx)(high - low + 1) + 1;
        if (size > room) {
            PyMem_RawFree(bins);
            bins = PyMem_RawMalloc((size_t)(room = size + 64) * sizeof *bins);
            if (!bins && !(fine = PyErr_NoMemory() != NULL)) break;
        }
        ((double *)out.buf)[k] = lined_up(a, b, value.buf, n, slope[k], low, bins, size);
    }
    PyMem_RawFree(bins);
    return DONE_ALL(all, fine);
}

static PyObject *py_turn(PyObject *self, PyObject *args)
{
    Py_buffer kinds, density, x0, y0, x1, y1, kind, to;
    idx h, w, rows, columns;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*nny*y*y*y*nnw*w*", &kinds, &density, &h, &w, &x0, &y0, &x1, &y1, &rows, &columns, &kind, &to))
        return NULL;
    Py_buffer *all[] = {&kinds, &density, &x0, &y0, &x1, &y1, &kind, &to};
    const int fine = inside(h > 0 && w > 0 && h < INT_MAX && w < INT_MAX && rows >= 0 && columns >= 0 && h <= INT_MAX / w, "no plane")
                     && holds(&kinds, h * w, 1, "kinds") && holds(&density, h * w, 4, "density") && holds(&x0, columns, 4, "x0")
                     && holds(&y0, columns, 4, "y0") && holds(&x1, rows, 4, "x1") && holds(&y1, rows, 4, "y1")
                     && holds(&kind, rows * columns, 1, "kind") && holds(&to, rows * columns, 4, "to");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        for (idx y = 0; y < rows; y++)
            turn_row(kinds.buf, density.buf, h, w, x0.buf, y0.buf, ((const float *)x1.buf)[y], ((const float *)y1.buf)[y], columns,
                     (uint8_t *)kind.buf + y * columns, (float *)to.buf + y * columns);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_counts(PyObject *self, PyObject *args)
{
    Py_buffer plane, rows, columns;
    idx h, w;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnw*w*", &plane, &h, &w, &rows, &columns)) return NULL;
    Py_buffer *all[] = {&plane, &rows, &columns};
    const int fine = inside(h >= 0 && w >= 0, "no plane") && holds(&plane, h * w, 1, "plane") && holds(&rows, h, 8, "rows")
                     && holds(&columns, w, 4, "columns");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        counts(plane.buf, h, w, rows.buf, columns.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_gate(PyObject *self, PyObject *args)
{
    Py_buffer kinds, out;
    idx h, w, sign, deep;
    int axis;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nninnw*", &kinds, &h, &w, &axis, &sign, &deep, &out)) return NULL;
    Py_buffer *all[] = {&kinds, &out};
    const int fine = inside((axis ? w : h) >= 2 * ASIDE && h >= 0 && w >= 0 && (sign == 1 || sign == -1) && deep >= ASIDE,
                            "no edges in so small a plane")
                     && holds(&kinds, h * w, 1, "kinds") && holds(&out, axis ? w : h, 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        memset(out.buf, 0, (axis ? w : h) * 4);
        (axis ? gate_across : gate_down)(kinds.buf, h, w, sign, deep, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_area_sums(PyObject *self, PyObject *args)
{
    Py_buffer kinds, weights, out;
    idx h, w;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nny*w*", &kinds, &h, &w, &weights, &out)) return NULL;
    Py_buffer *all[] = {&kinds, &weights, &out};
    const uint8_t *kind = kinds.buf;
    int fine = inside(h >= 0 && w >= 0, "no plane") && holds(&kinds, h * w, 1, "kinds") && holds(&weights, 5, 8, "weights")
               && holds(&out, ((h + 1) / 2 + 1) * ((w + 1) / 2 + 1), 8, "out");
    uint8_t most_kind = 0;
    for (idx i = 0; fine && i < h * w; i++) most_kind = kind[i] > most_kind ? kind[i] : most_kind;
    fine = fine && inside(most_kind <= DARK_, "there is no such kind");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        area_sums(kinds.buf, h, w, weights.buf, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_sum_down(PyObject *self, PyObject *args)
{
    Py_buffer plane, out;
    idx h, w;
    int across;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnpw*", &plane, &h, &w, &across, &out)) return NULL;
    Py_buffer *all[] = {&plane, &out};
    const idx rows = ((across ? w : h) + 1) / 2, columns = ((across ? h : w) + 1) / 2;
    const int fine = inside(h >= 0 && w >= 0, "no plane") && holds(&plane, h * w, 1, "plane") && holds(&out, (rows + 1) * columns, 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        sum_down(plane.buf, h, w, across, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_sum_along(PyObject *self, PyObject *args)
{
    Py_buffer plane, out;
    idx h, w;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnw*", &plane, &h, &w, &out)) return NULL;
    Py_buffer *all[] = {&plane, &out};
    const int fine = inside(h >= 0 && w >= 0, "no plane") && holds(&plane, h * w, 4, "plane") && holds(&out, (h + 1) * (w + 1), 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        sum_along(plane.buf, h, w, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_content(PyObject *self, PyObject *args)
{
    Py_buffer kinds, out;
    idx h, w, by;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnw*", &kinds, &h, &w, &by, &out)) return NULL;
    Py_buffer *all[] = {&kinds, &out};
    int fine = inside(h > 0 && w > 0 && by >= 0, "no plane") && holds(&kinds, h * w, 1, "kinds") && holds(&out, h * w, 1, "out");
    uint8_t *work = fine ? PyMem_RawMalloc((size_t)(w + 2 * by + h * w)) : NULL;
    if (fine && !work) fine = PyErr_NoMemory() != NULL;
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        content(kinds.buf, h, w, by, work, work + w + 2 * by, out.buf);
        Py_END_ALLOW_THREADS
    }
    PyMem_RawFree(work);
    return DONE_ALL(all, fine);
}

static PyObject *py_outside(PyObject *self, PyObject *args)
{
    Py_buffer plane, before, after;
    idx h, w;
    int axis;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nniw*w*", &plane, &h, &w, &axis, &before, &after)) return NULL;
    Py_buffer *all[] = {&plane, &before, &after};
    const int fine = inside(h > 0 && w > 0, "no plane") && holds(&plane, h * w, 1, "plane") && holds(&before, h * w, 4, "before")
                     && holds(&after, h * w, 4, "after");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        (axis ? outside_along : outside)(plane.buf, h, w, before.buf, after.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_faded(PyObject *self, PyObject *args)
{
    Py_buffer edges, over, table, out;
    idx n, entries;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*ny*y*nw*", &edges, &n, &over, &table, &entries, &out)) return NULL;
    Py_buffer *all[] = {&edges, &over, &table, &out};
    const int fine = inside(n >= 0 && entries > 0, "no plane") && holds(&edges, n, 4, "edges") && holds(&over, n, 4, "over")
                     && holds(&table, entries, 4, "table") && holds(&out, n, 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        faded(edges.buf, n, over.buf, table.buf, entries, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_near_within(PyObject *self, PyObject *args)
{
    Py_buffer plane, out;
    idx h, w, low, high, sign, reach;
    int axis;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnninnw*", &plane, &h, &w, &low, &high, &axis, &sign, &reach, &out)) return NULL;
    Py_buffer *all[] = {&plane, &out};
    int fine = inside(h > 0 && w > 0 && low >= 0 && low <= high && high <= (axis ? w : h) && (sign == 1 || sign == -1) && reach > 0
                      && reach <= (axis ? h : w), "the rectangle leaves the plane")
               && holds(&plane, h * w, 1, "plane") && holds(&out, axis ? h : w, 4, "out");
    uint8_t *some = fine ? PyMem_RawMalloc((size_t)(2 * w + 2 * reach)) : NULL;
    if (fine && !some) fine = PyErr_NoMemory() != NULL;
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        near_within(plane.buf, h, w, low, high, axis, sign, reach, some, out.buf);
        Py_END_ALLOW_THREADS
    }
    PyMem_RawFree(some);
    return DONE_ALL(all, fine);
}

static PyObject *py_best_comb(PyObject *self, PyObject *args)
{
    Py_buffer enter, leave, filled;
    comb c;
    double best = 0.0, ends = 0.0, gaps = 0.0;
    idx found = -1;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*nnnnndddd", &enter, &leave, &filled, &c.n, &c.wide, &c.gap, &c.first, &c.last, &c.high, &c.filling,
                          &c.gapped, &c.inside))
        return NULL;
    Py_buffer *all[] = {&enter, &leave, &filled};
    const int fine = inside(c.wide > 0 && c.gap >= 0 && c.first >= 0 && c.last < c.n - 1, "the strip leaves the view")
                     && holds(&enter, c.n - 1, 8, "enter") && holds(&leave, c.n - 1, 8, "leave") && holds(&filled, c.n, 8, "filled");
    if (fine) {
        c.enter = enter.buf, c.leave = leave.buf, c.filled = filled.buf;
        found = best_comb(c, &best, &ends, &gaps);
    }
    PyObject *nothing = DONE_ALL(all, fine);
    if (!nothing || found < 0) return nothing;
    Py_DECREF(nothing);
    return Py_BuildValue("(dndd)", best, found, ends, gaps);
}

static PyObject *py_tally(PyObject *self, PyObject *args)
{
    Py_buffer kinds, out;
    idx h, w, top, bottom, left, right;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnnnnw*", &kinds, &h, &w, &top, &bottom, &left, &right, &out)) return NULL;
    Py_buffer *all[] = {&kinds, &out};
    const int fine = inside(top >= 0 && left >= 0 && bottom <= h && right <= w, "the rectangle leaves the plane")
                     && holds(&kinds, h * w, 1, "kinds") && holds(&out, 5, 8, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        tally(kinds.buf, w, top, bottom, left, right, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_boxes(PyObject *self, PyObject *args)
{
    Py_buffer plane, out;
    idx h, w, least_, found = 0;
    double longest;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnndw*", &plane, &h, &w, &least_, &longest, &out)) return NULL;
    Py_buffer *all[] = {&plane, &out};
    /* What is longer than that has so many pixels, at least. */
    int fine = inside(h > 0 && w > 0 && h < INT_MAX / w && least_ >= 0, "no plane") && holds(&plane, h * w, 1, "plane")
               && holds(&out, 4 * (h * w / (least_ + 1) + 1), 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        found = boxes(plane.buf, h, w, least_, longest, out.buf);
        Py_END_ALLOW_THREADS
        if (found < 0) fine = PyErr_NoMemory() != NULL;
    }
    PyObject *nothing = DONE_ALL(all, fine);
    if (!nothing) return NULL;
    Py_DECREF(nothing);
    return PyLong_FromSsize_t(found);
}

static PyObject *py_mates(PyObject *self, PyObject *args)
{
    Py_buffer top, bottom, wide, out;
    idx n, least_;
    double longer;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*nndw*", &top, &bottom, &wide, &n, &least_, &longer, &out)) return NULL;
    Py_buffer *all[] = {&top, &bottom, &wide, &out};
    const int fine = inside(n >= 0, "no boxes") && holds(&top, n, 8, "top") && holds(&bottom, n, 8, "bottom") && holds(&wide, n, 8, "wide")
                     && holds(&out, n, 1, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        mates(top.buf, bottom.buf, wide.buf, n, least_, longer, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_edges_within(PyObject *self, PyObject *args)
{
    Py_buffer plane, out;
    idx h, w, low, high;
    int axis;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnniw*", &plane, &h, &w, &low, &high, &axis, &out)) return NULL;
    Py_buffer *all[] = {&plane, &out};
    const int fine = inside(h > 0 && w > 0 && low >= 0 && low <= high && high <= (axis ? w : h), "the rectangle leaves the plane")
                     && holds(&plane, h * w, 4, "plane") && holds(&out, axis ? h : w, 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        edges_within(plane.buf, h, w, low, high, axis, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_tallies(PyObject *self, PyObject *args)
{
    Py_buffer kinds, out;
    idx h, w, low, high;
    int axis;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnnniw*", &kinds, &h, &w, &low, &high, &axis, &out)) return NULL;
    Py_buffer *all[] = {&kinds, &out};
    const int fine = inside(h > 0 && w > 0 && low >= 0 && low <= high && high <= (axis ? w : h), "the rectangle leaves the plane")
                     && holds(&kinds, h * w, 1, "kinds") && holds(&out, 5 * (axis ? h : w), 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        tallies(kinds.buf, h, w, low, high, axis, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_line_sums(PyObject *self, PyObject *args)
{
    Py_buffer kinds, rebate, holder, at, what, edge, beyond;
    idx h, w, sign, letters, n;
    int axis;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*nninny*y*nw*w*", &kinds, &rebate, &holder, &h, &w, &axis, &sign, &letters, &at, &what, &n, &edge, &beyond))
        return NULL;
    Py_buffer *all[] = {&kinds, &rebate, &holder, &at, &what, &edge, &beyond};
    const idx length = axis ? h : w, *place = at.buf, *kind = what.buf;
    int fine = inside(h > 0 && w > 0 && n >= 0 && letters >= 0 && (sign == 1 || sign == -1), "no plane") && holds(&kinds, h * w, 1, "kinds")
               && holds(&rebate, h * w, 4, "rebate") && holds(&holder, h * w, 1, "holder") && holds(&at, n, sizeof(idx), "at")
               && holds(&what, n, sizeof(idx), "what") && holds(&edge, n * (length + 1), 8, "edge") && holds(&beyond, n * (length + 1), 8, "beyond");
    for (idx i = 0; fine && i < n; i++) fine = inside(place[i] >= 0 && place[i] < (axis ? w : h), "a line leaves the plane");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        for (idx i = 0; i < n; i++)
            line_sums(kinds.buf, rebate.buf, holder.buf, h, w, axis, sign, place[i], kind[i], letters, (double *)edge.buf + i * (length + 1),
                      (double *)beyond.buf + i * (length + 1));
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}
