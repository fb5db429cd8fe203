/* Of levels and keen: tones of a proxy, the surface each is, and what kind its pixels are. */

enum { VOID_, PANEL_, BASE_, PICTURE_, DARK_ }; /* levels.VOID ... */
#define ASIDE 2                                 /* rectangles.STEP */
#define INWARDS 5                               /* rectangles.DEEP */

/* levels.log_light: planes of log10 of interleaved light. */
WIDEST static void log_planes(const float *light, idx n, float floor, float *out)
{
    float some[BLOCK];
    for (idx at = 0; at < n; at += BLOCK) {
        const idx m = n - at < BLOCK ? n - at : BLOCK;
        for (int c = 0; c < 3; c++) {
            float *to = out + c * n + at;
            for (idx i = 0; i < m; i++) some[i] = most(light[3 * (at + i) + c], floor);
            for (idx i = 0; i < m; i++) to[i] = logarithm(some[i]) * 0.43429448f;
        }
    }
}

/* keen.light_of: interleaved light of planes of log10 of it: 2 to the whole and to the rest of its binary logarithm, this by its
   series; the first term left out is below 1e-8. */
WIDEST static void light_of(const float *log, idx n, float *out)
{
    const double whole = 6755399441055744.0; /* 1.5 * 2^52: what is added to it is rounded */
    float some[3][BLOCK];
    for (idx at = 0; at < n; at += BLOCK) {
        const idx m = n - at < BLOCK ? n - at : BLOCK;
        for (int c = 0; c < 3; c++) {
            const float *from = log + c * n + at;
            for (idx i = 0; i < m; i++) {
                const double y = most(least(from[i], 30.0f), -30.0f) * 3.321928094887362, shifted = y + whole;
                const double f = (y - (shifted - whole)) * 0.6931471805599453;
                const double e = 1 + f * (1 + f * (1.0 / 2 + f * (1.0 / 6 + f * (1.0 / 24 + f * (1.0 / 120 + f * (1.0 / 720 + f / 5040))))));
                int64_t bits;
                double power;
                memcpy(&bits, &shifted, 8);
                bits = (bits + 1023) * (1LL << 52); /* the whole's own high bits go over the top */
                memcpy(&power, &bits, 8);
                some[c][i] = (float)(e * power);
            }
        }
        for (idx i = 0; i < m; i++)
            for (int c = 0; c < 3; c++) out[3 * (at + i) + c] = some[c][i];
    }
}

/* levels.even_tones: where a plane hardly changes along both axes, or along one with a ridge or a shelf across. */
WIDEST static void even_row(const float *y, idx w, idx n, const idx *far, float limit, float darkest, uint8_t *out)
{
    const float *up = y - 2 * w, *down = y + 2 * w, *left = y - 2, *right = y + 2;
    const float *above = y - far[0] * w, *below = y + far[1] * w, *before = y - far[2], *after = y + far[3];
    for (idx i = 0; i < n; i++) {
        const int even_x = fabsf(right[i] - left[i]) < limit, even_y = fabsf(down[i] - up[i]) < limit;
        const int over_y = (y[i] > up[i]) & (y[i] > down[i]), over_x = (y[i] > left[i]) & (y[i] > right[i]);
        const float a = above[i] - y[i], b = y[i] - below[i], c = before[i] - y[i], d = y[i] - after[i];
        const int steps_y = (least(a, b) > 2 * limit) | (most(a, b) < -2 * limit);
        const int steps_x = (least(c, d) > 2 * limit) | (most(c, d) < -2 * limit);
        const int shelf_y = (2 * fabsf(y[i + w] - y[i - w]) < limit) & steps_y;
        const int shelf_x = (2 * fabsf(y[i + 1] - y[i - 1]) < limit) & steps_x;
        out[i] = (uint8_t)(((even_x & (even_y | over_y | shelf_y)) | (even_y & (over_x | shelf_x))) & (y[i] > darkest));
    }
}

INLINE void swap(double *a, double *b)
{
    const double c = *a;
    *a = *b, *b = c;
}

/* The value at place `k` of the sorted ones, which change places (Hoare's FIND). */
static double ranked(double *v, idx n, idx k)
{
    idx low = 0, high = n - 1;
    while (low < high) {
        const double pivot = v[k];
        idx i = low, j = high;
        while (i <= j) {
            while (v[i] < pivot) i++;
            while (v[j] > pivot) j--;
            if (i <= j) swap(v + i++, v + j--);
        }
        if (j < k) low = i;
        if (k < i) high = j;
    }
    return v[k];
}

/* robust.median of finite values, which are lost: those of the middle one of many equal steps alone are put in order. */
#define STEPS 1024
static double median(double *v, idx n)
{
    if (n < 1) return NAN;
    double low = v[0], high = v[0], under = -INFINITY;
    idx many[STEPS + 1] = {0}, before = 0, step = 0, m = 0;
    for (idx i = 1; i < n; i++) low = v[i] < low ? v[i] : low, high = v[i] > high ? v[i] : high;
    const double scale = high > low ? STEPS / (high - low) : 0.0;
    if (!(scale < 1e300)) return ranked(v, n, n / 2);
    for (idx i = 0; i < n; i++) many[(idx)((v[i] - low) * scale)]++;
    while (before + many[step] <= n / 2) before += many[step++];
    for (idx i = 0; i < n; i++) {
        const double value = v[i];
        const idx at = (idx)((value - low) * scale);
        if (at == step)
            v[m++] = value;
        else if (at < step && value > under)
            under = value;
    }
    const double above = ranked(v, m, n / 2 - before);
    if (n % 2) return above;
    for (idx i = 0; i < n / 2 - before; i++) under = v[i] > under ? v[i] : under;
    return (under + above) / 2;
}

INLINE double surface_at(const double *t, const double *c)
{
    return t[0] * c[0] + t[1] * c[1] + t[2] * c[2] + t[3] * c[3] + t[4] * c[4] + t[5] * c[5];
}

/* levels.normal_equations: the normal equations of a surface through what lies within `tolerance` of it, of those pixels
   that are in a list, or of all; how many do. */
WIDEST static idx fit_round(const float *light, const double *terms, const int32_t *list, idx n, const double *surface, double mean,
                            double tolerance, double *a, double *b)
{
    idx count = 0;
    memset(a, 0, 36 * sizeof *a);
    memset(b, 0, 6 * sizeof *b);
    for (idx i = 0; i < n; i++) {
        const idx at = list ? list[i] : i;
        const double *t = terms + 6 * at;
        const double rest = light[at] - surface_at(t, surface) - mean;
        if (!(fabs(rest) < tolerance)) continue;
        count++;
        const double say = rest < -0.012 ? 0.1 : 1.0;
        for (int j = 0; j < 6; j++) {
            const double s = t[j] * say;
            for (int k = 0; k < 6; k++) a[6 * j + k] += s * t[k];
            b[j] += s * rest;
        }
    }
    return count;
}

/* Six equations solved by elimination, the largest of each column first; the matrix is lost. */
static void solve_six(double *a, double *b)
{
    for (int j = 0; j < 6; j++) {
        int first = j;
        for (int k = j + 1; k < 6; k++) first = fabs(a[6 * k + j]) > fabs(a[6 * first + j]) ? k : first;
        if (first != j) {
            for (int m = 0; m < 6; m++) swap(a + 6 * j + m, a + 6 * first + m);
            swap(b + j, b + first);
        }
        for (int k = j + 1; k < 6; k++) {
            const double share = a[6 * k + j] / a[6 * j + j];
            for (int m = j; m < 6; m++) a[6 * k + m] -= share * a[6 * j + m];
            b[k] -= share * b[j];
        }
    }
    for (int j = 5; j >= 0; j--) {
        for (int k = j + 1; k < 6; k++) b[j] -= a[6 * j + k] * b[k];
        b[j] /= a[6 * j + j];
    }
}

/* levels._bright_side of `n` values, which are lost; and their standard deviation there. */
static double bright_side(double *rest, idx n, double *width)
{
    double bins[64] = {0.0}, smooth[64], top = 0.0;
    idx size = 60, peak = 0, m = 0;
    for (idx i = 0; i < n; i++) {
        const idx at = (idx)((rest[i] + 0.06) * 500);
        size = at + 1 > size ? at + 1 : size;
        bins[at]++;
    }
    for (idx i = 0; i < size; i++) {
        smooth[i] = (i > 1 ? bins[i - 2] : 0.0) + 2 * (i > 0 ? bins[i - 1] : 0.0) + 3 * bins[i] + 2 * bins[i + 1] + bins[i + 2];
        top = smooth[i] > top ? smooth[i] : top;
    }
    for (idx i = size - 2; i > 0 && !peak; i--)
        if (smooth[i] >= smooth[i - 1] && smooth[i] >= smooth[i + 1] && smooth[i] > 0.4 * top) peak = i;
    *width = 0.02;
    if (!peak) return 0.0;
    const double at = (peak + 0.5) / 500 - 0.06;
    for (idx i = 0; i < n; i++)
        if (rest[i] > at) rest[m++] = rest[i] - at;
    if (m > 5) {
        const double spread = 1.4826 * median(rest, m);
        *width = spread < 0.02 ? spread : 0.02;
    }
    return at;
}

/* levels._brightest: see there. `out` is log light, surface and spread; `some` and `list` are to work in, 3 n and n long.
   How many pixels have the tone, or -1. */
WIDEST static idx brightest(const float *tones, const float *light, const double *terms, idx n, double need, const double *reach,
                            idx rounds, const double *ridge, const double *usual, double *out, double *some, int32_t *list)
{
    double bins[804] = {0.0}, middle = NAN, *surface = out + 3, last[6], change[6], a[36], *fall = some + 2 * n;
    idx count = 0, m = 0;
    if (n < need) return -1;
    for (idx i = 0; i < n; i++) {
        const float at = (light[i] + 5.5f) * 100.0f;
        bins[2 + (at > 0.0f ? at < 799.0f ? (idx)at : 799 : 0)]++;
    }
    double before = 0.0, here = 0.0;
    for (idx i = 798; i > 1; i--) { /* from the brightest on; each by its two neighbours on both sides */
        const double *b = bins + i, after = (b[0] + 2 * b[1] + 3 * b[2] + 2 * b[3] + b[4]) / 9;
        if (i < 797 && here >= before && here >= after && 3 * here >= need) {
            middle = (i - 2 + 3.5) / 100 - 5.5;
            break;
        }
        before = here, here = after;
    }
    if (isnan(middle)) return -1;
    for (idx i = 0; i < n; i++) {
        list[m] = (int32_t)i;
        m += fabs(light[i] - middle) < 0.02;
    }
    if (m < (need * 0.5 > 10 ? need * 0.5 : 10)) return -1;
    float log3[3], apart[3];
    for (int c = 0; c < 3; c++) {
        for (idx i = 0; i < m; i++) some[i] = tones[3 * list[i] + c];
        log3[c] = (float)median(some, m);
        out[c] = log3[c];
    }
    const idx close = m;
    const float grey = (log3[0] + log3[1] + log3[2]) / 3.0f;
    const double mean = grey;
    for (int c = 0; c < 3; c++) apart[c] = log3[c] - grey;
    int32_t *alike = list + n;
    m = 0;
    for (idx i = 0; i < n; i++) {
        const float *t = tones + 3 * i, y = light[i];
        alike[m] = (int32_t)i;
        m += (fabsf(t[0] - y - apart[0]) < 0.035f) & (fabsf(t[1] - y - apart[1]) < 0.035f) & (fabsf(t[2] - y - apart[2]) < 0.035f);
    }
    memcpy(surface, usual, 6 * sizeof *surface);
    int settled = 1;
    for (idx round = 0; round < rounds; round++) {
        const idx those = fit_round(light, terms, alike, m, surface, mean, reach[round], a, change);
        if (those < 10) {
            settled = 0;
            break;
        }
        const double weight = those / 4000.0 > 1e-6 ? those / 4000.0 : 1e-6;
        for (int j = 0; j < 36; j++) a[j] /= weight;
        for (int j = 0; j < 6; j++) {
            a[7 * j] += ridge[j] + 1e-6;
            change[j] = change[j] / weight - ridge[j] * (surface[j] - usual[j]);
        }
        solve_six(a, change);
        memcpy(last, surface, sizeof last);
        for (int j = 0; j < 6; j++) surface[j] += change[j];
        surface[3] = surface[3] < 0.0 ? surface[3] : 0.0;
    }
    double *rest = some + n, width;
    idx inner = 0, core = 0;
    for (idx i = 0; i < m; i++) {
        fall[i] = surface_at(terms + 6 * alike[i], surface);
        rest[i] = light[alike[i]] - fall[i] - mean;
        some[inner] = rest[i];
        inner += fabs(rest[i]) < 0.06;
    }
    const double peak = bright_side(some, inner, &width), wide = 1.2 * width > 0.002 ? 1.2 * width : 0.002;
    for (idx i = 0; i < m; i++) core += fabs(rest[i] - peak) < wide;
    const int32_t *members = alike;
    if (core >= 10) {
        for (int c = 0; c < 3; c++) {
            idx k = 0;
            for (idx i = 0; i < m; i++) {
                some[k] = tones[3 * alike[i] + c] - fall[i];
                k += fabs(rest[i] - peak) < wide;
            }
            out[c] = median(some, k);
        }
        const double level = (out[0] + out[1] + out[2]) / 3, far = 3 * width > 0.006 ? 3 * width : 0.006;
        for (idx i = 0; i < m; i++) {
            alike[count] = alike[i];
            count += fabs(light[alike[i]] - fall[i] - level) < far;
        }
    } else if (settled) {
        for (idx i = 0; i < m; i++) {
            const double off = light[alike[i]] - surface_at(terms + 6 * alike[i], last) - mean;
            alike[count] = alike[i];
            count += fabs(off) < reach[rounds - 1];
        }
    } else {
        members = list, count = close;
    }
    for (idx i = 0; i < count; i++) {
        const double falls = surface_at(terms + 6 * members[i], surface);
        for (int c = 0; c < 3; c++) some[3 * i + c] = fabs(tones[3 * members[i] + c] - falls - out[c]);
    }
    out[9] = 1.4826 * median(some, 3 * count);
    return count;
}

/* levels.even_tones: keeps those pixels that are darker than a surface; how many they are. */
static idx keep_darker(float *tones, float *light, double *terms, idx n, const double *surface, double mean, double less)
{
    idx m = 0;
    for (idx i = 0; i < n; i++) {
        if (!(light[i] < surface_at(terms + 6 * i, surface) + mean - less)) continue;
        light[m] = light[i];
        memmove(tones + 3 * m, tones + 3 * i, 3 * sizeof *tones);
        memmove(terms + 6 * m, terms + 6 * i, 6 * sizeof *terms);
        m++;
    }
    return m;
}

/* levels.parts: how far every pixel lies below the base: the mean, the least and the most of its channels. */
WIDEST static void below_row(const float *red, const float *green, const float *blue, idx n, const float *across, const float *x,
                             float down, float cross, const float *base, float *density, float *low, float *high)
{
    const float r0 = base[0], g0 = base[1], b0 = base[2];
    APART
    for (idx i = 0; i < n; i++) {
        const float surface = across[i] + down + cross * x[i];
        const float r = surface + r0 - red[i], g = surface + g0 - green[i], b = surface + b0 - blue[i];
        low[i] = least(least(r, g), b);
        high[i] = most(most(r, g), b);
        density[i] = (r + g + b) * (float)(1.0 / 3);
    }
}

/* levels.parts: what the pixels are, in three steps, for dark is what goes on straight to the border (levels._outer). */
static void outer(const float *low, idx h, idx w, float beyond, uint8_t *kinds, uint8_t *open)
{
    memset(kinds, PICTURE_, h * w);
    for (idx y = 0; y < h; y++) {
        const float *row = low + y * w;
        idx a = 0, b = w;
        while (a < w && row[a] > beyond) kinds[y * w + a++] = DARK_;
        while (b > a && row[b - 1] > beyond) kinds[y * w + --b] = DARK_;
    }
    for (int up = 0; up < 2; up++) {
        memset(open, 1, w);
        for (idx i = 0; i < h; i++) {
            const idx at = (up ? h - 1 - i : i) * w;
            int some = 0;
            for (idx x = 0; x < w; x++) {
                open[x] &= (uint8_t)(low[at + x] > beyond);
                some |= open[x];
                kinds[at + x] = open[x] ? DARK_ : kinds[at + x];
            }
            if (!some) break;
        }
    }
}

WIDEST static void kinds_row(const float *red, const float *green, const float *blue, const float *density, const float *low,
                             const float *high, idx n, const float *black, float tolerance, float near, float bare, uint8_t *kinds)
{
    if (black) {
        const float r = black[0], g = black[1], b = black[2];
        for (idx i = 0; i < n; i++) kinds[i] = (red[i] < r) & (green[i] < g) & (blue[i] < b) ? DARK_ : kinds[i];
    }
    for (idx i = 0; i < n; i++) {
        const int clear = (high[i] < near) & (low[i] > -near) & (fabsf(density[i]) < tolerance);
        const int panel = (density[i] < -tolerance) & (high[i] < bare);
        const uint8_t kind = clear ? BASE_ : kinds[i];
        kinds[i] = panel ? PANEL_ : kind;
    }
}

INLINE int is_clear(uint8_t kind) { return (kind == PANEL_) | (kind == BASE_); }

/* levels._enclosed, of what is dark: between two clear places, each two pixels long, of its row or of its column. */
WIDEST static void enclosed(const uint8_t *kinds, idx h, idx w, int32_t *first, int32_t *last, uint8_t *out)
{
    for (idx x = 0; x < w; x++) first[x] = INT_MAX, last[x] = -1;
    for (idx y = 0; y + 1 < h; y++) {
        const uint8_t *row = kinds + y * w, *next = row + w;
        for (idx x = 0; x < w; x++) {
            const int both = is_clear(row[x]) & is_clear(next[x]);
            first[x] = both && first[x] == INT_MAX ? (int32_t)y : first[x];
            last[x] = both ? (int32_t)y + 1 : last[x];
        }
    }
    for (idx y = 0; y < h; y++) {
        const uint8_t *row = kinds + y * w;
        idx a = 0, b = w - 2;
        while (a + 1 < w && !(is_clear(row[a]) & is_clear(row[a + 1]))) a++;
        while (b >= 0 && !(is_clear(row[b]) & is_clear(row[b + 1]))) b--;
        const int32_t from = (int32_t)a, to = (int32_t)b + 1, line = (int32_t)y;
        for (idx x = 0; x < w; x++) {
            const int along = ((int32_t)x > from) & ((int32_t)x < to), down = (line > first[x]) & (line < last[x]);
            out[y * w + x] = (uint8_t)((row[x] == DARK_) & (along | down));
        }
    }
}

/* levels.parts: whether every channel, or any, lets through more light than `level`. */
WIDEST static void brighter(const float *log, idx n, const float *level, int every, uint8_t *out)
{
    const float *green = log + n, *blue = green + n, r = level[0], g = level[1], b = level[2];
    if (every)
        for (idx i = 0; i < n; i++) out[i] = (uint8_t)((log[i] > r) & (green[i] > g) & (blue[i] > b));
    else
        for (idx i = 0; i < n; i++) out[i] = (uint8_t)((log[i] > r) | (green[i] > g) | (blue[i] > b));
}

/* keen._evened: of what is `close` among the pixel and its neighbours, the mean; `sums` are six rows to work in. */
WIDEST static void evened(const float *plane, const uint8_t *close, idx h, idx w, float *sums, float *out)
{
    float *down = sums + 1, *many = sums + w + 3;
    for (idx y = 0; y < h; y++) {
        const idx a = y * w, up = y ? -w : 0, low = y + 1 < h ? w : 0;
        const float first = y ? 1.0f : 0.0f, last = y + 1 < h ? 1.0f : 0.0f;
        const float *p = plane + a;
        const uint8_t *c = close + a;
        for (idx x = 0; x < w; x++) {
            const float before = c[up + x] ? p[up + x] * first : 0.0f, after = c[low + x] ? p[low + x] * last : 0.0f;
            down[x] = before + (c[x] ? p[x] : 0.0f) + after;
            many[x] = c[up + x] * first + c[x] + c[low + x] * last;
        }
        down[-1] = down[w] = many[-1] = many[w] = 0.0f;
        for (idx x = 0; x < w; x++)
            out[a + x] = (down[x - 1] + down[x] + down[x + 1]) / most(many[x - 1] + many[x] + many[x + 1], 1.0f);
    }
}

/* keen.stretched: log light over that of a tone, one row; what is little denser is `gain` times denser. */
WIDEST static void stretch_row(const float *const *log, idx n, const float *across, const float *x, float down, float cross,
                               const float *base, float within_, float gain, float kept, float *const *out)
{
    const float r0 = base[0], g0 = base[1], b0 = base[2], inverse = (float)(1.0 / (kept - within_));
    const float *red = log[0], *green = log[1], *blue = log[2];
    float *r_ = out[0], *g_ = out[1], *b_ = out[2];
    APART
    for (idx i = 0; i < n; i++) {
        const float surface = across[i] + down + cross * x[i];
        const float r = surface + r0 - red[i], g = surface + g0 - green[i], b = surface + b0 - blue[i];
        const float density = (r + g + b) * (float)(1.0 / 3);
        const float more = least(most(density, 0.0f), within_) * least(most((kept - density) * inverse, 0.0f), 1.0f);
        const float all = surface + (gain - 1.0f) * more;
        r_[i] = red[i] - all - r0;
        g_[i] = green[i] - all - g0;
        b_[i] = blue[i] - all - b0;
    }
}

/* keen.nearby: log light over that of a tone, `gain` times, no more than so much; and the mean of the channels. */
WIDEST static void tell_row(const float *const *log, idx n, const float *across, const float *x, float down, float cross,
                            const float *base, float gain, float far, float *const *out, float *mean)
{
    const float r0 = base[0], g0 = base[1], b0 = base[2];
    const float *red = log[0], *green = log[1], *blue = log[2];
    float *r_ = out[0], *g_ = out[1], *b_ = out[2];
    APART
    for (idx i = 0; i < n; i++) {
        const float surface = across[i] + down + cross * x[i];
        const float r = least(most(gain * (red[i] - surface - r0), -far), far), g = least(most(gain * (green[i] - surface - g0), -far), far);
        const float b = least(most(gain * (blue[i] - surface - b0), -far), far);
        r_[i] = r, g_[i] = g, b_[i] = b;
        mean[i] = (r + g + b) / 3.0f;
    }
}

/* --- what Python sees --- */

static PyObject *py_log_planes(PyObject *self, PyObject *args)
{
    Py_buffer light, out;
    idx n;
    float floor;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nfw*", &light, &n, &floor, &out)) return NULL;
    Py_buffer *all[] = {&light, &out};
    const int fine = inside(n >= 0 && floor > 1e-37f, "no logarithm of none") && holds(&light, 3 * n, 4, "light")
                     && holds(&out, 3 * n, 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        log_planes(light.buf, n, floor, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_light_of(PyObject *self, PyObject *args)
{
    Py_buffer log, out;
    idx n;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nw*", &log, &n, &out)) return NULL;
    Py_buffer *all[] = {&log, &out};
    const int fine = inside(n >= 0, "no light of none") && holds(&log, 3 * n, 4, "log") && holds(&out, 3 * n, 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        light_of(log.buf, n, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_even(PyObject *self, PyObject *args)
{
    Py_buffer plane, out;
    idx h, w;
    float limit, darkest;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnffw*", &plane, &h, &w, &limit, &darkest, &out)) return NULL;
    Py_buffer *all[] = {&plane, &out};
    const int fine = inside(h > 4 && w > 4, "the plane is too small") && holds(&plane, h * w, 4, "plane") && holds(&out, h * w, 1, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        memset(out.buf, 0, h * w);
        for (idx y = 2; y < h - 2; y++)
            for (idx x = 2, n; x < w - 2; x += n) {
                n = x == 2 || x == w - 3 ? 1 : w - 6;
                const idx far[] = {y < 3 ? y : 3, h - 1 - y < 3 ? h - 1 - y : 3, x < 3 ? x : 3, w - x < 4 ? w - 1 - x : 3};
                even_row((const float *)plane.buf + y * w + x, w, n, far, limit, darkest, (uint8_t *)out.buf + y * w + x);
            }
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_fit_round(PyObject *self, PyObject *args)
{
    Py_buffer light, terms, surface, a, b;
    idx n, count = 0;
    double mean, tolerance;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*ny*ddw*w*", &light, &terms, &n, &surface, &mean, &tolerance, &a, &b)) return NULL;
    Py_buffer *all[] = {&light, &terms, &surface, &a, &b};
    const int fine = inside(n >= 0, "nothing to fit") && holds(&light, n, 4, "light") && holds(&terms, 6 * n, 8, "terms")
                     && holds(&surface, 6, 8, "surface") && holds(&a, 36, 8, "a") && holds(&b, 6, 8, "b");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        count = fit_round(light.buf, terms.buf, NULL, n, surface.buf, mean, tolerance, a.buf, b.buf);
        Py_END_ALLOW_THREADS
    }
    PyObject *nothing = DONE_ALL(all, fine);
    Py_XDECREF(nothing);
    return nothing ? PyLong_FromSsize_t(count) : NULL;
}

static PyObject *py_brightest(PyObject *self, PyObject *args)
{
    Py_buffer tones, light, terms, reach, ridge, usual, out;
    idx n, rounds, count = 0;
    double need;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*ndy*ny*y*w*", &tones, &light, &terms, &n, &need, &reach, &rounds, &ridge, &usual, &out))
        return NULL;
    Py_buffer *all[] = {&tones, &light, &terms, &reach, &ridge, &usual, &out};
    int fine = inside(n > 0 && rounds > 0, "nothing to look at") && holds(&tones, 3 * n, 4, "tones") && holds(&light, n, 4, "light")
               && holds(&terms, 6 * n, 8, "terms") && holds(&reach, rounds, 8, "reach") && holds(&ridge, 6, 8, "ridge")
               && holds(&usual, 6, 8, "usual") && holds(&out, 10, 8, "out");
    double *some = fine ? PyMem_RawMalloc((size_t)n * (3 * sizeof *some + 2 * sizeof(int32_t))) : NULL;
    if (fine && !some) fine = PyErr_NoMemory() != NULL;
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        count = brightest(tones.buf, light.buf, terms.buf, n, need, reach.buf, rounds, ridge.buf, usual.buf, out.buf, some,
                          (int32_t *)(some + 3 * n));
        Py_END_ALLOW_THREADS
    }
    PyMem_RawFree(some);
    PyObject *nothing = DONE_ALL(all, fine);
    Py_XDECREF(nothing);
    return nothing ? PyLong_FromSsize_t(count) : NULL;
}

static PyObject *py_keep_darker(PyObject *self, PyObject *args)
{
    Py_buffer tones, light, terms, surface;
    idx n, count = 0;
    double mean, less;
    (void)self;
    if (!PyArg_ParseTuple(args, "w*w*w*ny*dd", &tones, &light, &terms, &n, &surface, &mean, &less)) return NULL;
    Py_buffer *all[] = {&tones, &light, &terms, &surface};
    const int fine = inside(n >= 0, "nothing to keep") && holds(&tones, 3 * n, 4, "tones") && holds(&light, n, 4, "light")
                     && holds(&terms, 6 * n, 8, "terms") && holds(&surface, 6, 8, "surface");
    if (fine) count = keep_darker(tones.buf, light.buf, terms.buf, n, surface.buf, mean, less);
    PyObject *nothing = DONE_ALL(all, fine);
    Py_XDECREF(nothing);
    return nothing ? PyLong_FromSsize_t(count) : NULL;
}

static PyObject *py_below(PyObject *self, PyObject *args)
{
    Py_buffer log, across, x, down, cross, base, density, low, high;
    idx h, w;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nny*y*y*y*y*w*w*w*", &log, &h, &w, &across, &x, &down, &cross, &base, &density, &low, &high))
        return NULL;
    Py_buffer *all[] = {&log, &across, &x, &down, &cross, &base, &density, &low, &high};
    const int fine = inside(h >= 0 && w >= 0, "no plane") && holds(&log, 3 * h * w, 4, "log") && holds(&across, w, 4, "across")
                     && holds(&x, w, 4, "x") && holds(&down, h, 4, "down") && holds(&cross, h, 4, "cross") && holds(&base, 3, 4, "base")
                     && holds(&density, h * w, 4, "density") && holds(&low, h * w, 4, "low") && holds(&high, h * w, 4, "high");
    if (fine) {
        const float *red = log.buf;
        Py_BEGIN_ALLOW_THREADS
        for (idx y = 0, at = 0; y < h; y++, at += w)
            below_row(red + at, red + h * w + at, red + 2 * h * w + at, w, across.buf, x.buf, ((const float *)down.buf)[y],
                      ((const float *)cross.buf)[y], base.buf, (float *)density.buf + at, (float *)low.buf + at,
                      (float *)high.buf + at);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_kinds(PyObject *self, PyObject *args)
{
    Py_buffer log, density, low, high, black, out;
    idx h, w;
    float beyond, tolerance, near, bare;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*y*nnz*ffffw*", &log, &density, &low, &high, &h, &w, &black, &beyond, &tolerance, &near, &bare,
                          &out))
        return NULL;
    Py_buffer *all[] = {&log, &density, &low, &high, &black, &out};
    int fine = inside(h > 0 && w > 0, "no plane") && holds(&log, 3 * h * w, 4, "log") && holds(&density, h * w, 4, "density")
               && holds(&low, h * w, 4, "low") && holds(&high, h * w, 4, "high") && (!black.buf || holds(&black, 3, 4, "black"))
               && holds(&out, h * w, 1, "out");
    uint8_t *open = fine ? PyMem_RawMalloc((size_t)w) : NULL;
    if (fine && !open) fine = PyErr_NoMemory() != NULL;
    if (fine) {
        const float *red = log.buf;
        Py_BEGIN_ALLOW_THREADS
        outer(low.buf, h, w, beyond, out.buf, open);
        for (idx y = 0, at = 0; y < h; y++, at += w)
            kinds_row(red + at, red + h * w + at, red + 2 * h * w + at, (const float *)density.buf + at, (const float *)low.buf + at,
                      (const float *)high.buf + at, w, or_none(&black), tolerance, near, bare, (uint8_t *)out.buf + at);
        Py_END_ALLOW_THREADS
    }
    PyMem_RawFree(open);
    return DONE_ALL(all, fine);
}

static PyObject *py_enclosed(PyObject *self, PyObject *args)
{
    Py_buffer kinds, out;
    idx h, w;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nnw*", &kinds, &h, &w, &out)) return NULL;
    Py_buffer *all[] = {&kinds, &out};
    int fine = inside(h > 0 && w > 0 && h < INT_MAX && w < INT_MAX, "no plane") && holds(&kinds, h * w, 1, "kinds")
               && holds(&out, h * w, 1, "out");
    int32_t *ends = fine ? PyMem_RawMalloc((size_t)w * 2 * sizeof *ends) : NULL;
    if (fine && !ends) fine = PyErr_NoMemory() != NULL;
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        enclosed(kinds.buf, h, w, ends, ends + w, out.buf);
        Py_END_ALLOW_THREADS
    }
    PyMem_RawFree(ends);
    return DONE_ALL(all, fine);
}

static PyObject *py_brighter(PyObject *self, PyObject *args)
{
    Py_buffer log, level, out;
    idx n;
    int every;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*ny*iw*", &log, &n, &level, &every, &out)) return NULL;
    Py_buffer *all[] = {&log, &level, &out};
    const int fine = inside(n >= 0, "no plane") && holds(&log, 3 * n, 4, "log") && holds(&level, 3, 4, "level") && holds(&out, n, 1, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        brighter(log.buf, n, level.buf, every, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_evened(PyObject *self, PyObject *args)
{
    Py_buffer plane, close, out;
    idx h, w;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*nnw*", &plane, &close, &h, &w, &out)) return NULL;
    Py_buffer *all[] = {&plane, &close, &out};
    int fine = inside(h > 0 && w > 0, "no plane") && holds(&plane, h * w, 4, "plane") && holds(&close, h * w, 1, "close")
               && holds(&out, h * w, 4, "out");
    float *sums = fine ? PyMem_RawMalloc((size_t)(2 * w + 4) * sizeof *sums) : NULL;
    if (fine && !sums) fine = PyErr_NoMemory() != NULL;
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        evened(plane.buf, close.buf, h, w, sums, out.buf);
        Py_END_ALLOW_THREADS
    }
    PyMem_RawFree(sums);
    return DONE_ALL(all, fine);
}

/* Planes of log light over a tone's surface, row by row: stretched, or told from each other where `mean` is given. */
static PyObject *py_over_tone(PyObject *self, PyObject *args)
{
    Py_buffer log, across, x, down, cross, base, out, mean;
    idx h, w;
    float a, b, c;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nny*y*y*y*y*fffw*z*", &log, &h, &w, &across, &x, &down, &cross, &base, &a, &b, &c, &out, &mean)) return NULL;
    Py_buffer *all[] = {&log, &across, &x, &down, &cross, &base, &out, &mean};
    const int fine = inside(h >= 0 && w >= 0, "no plane") && holds(&log, 3 * h * w, 4, "log") && holds(&across, w, 4, "across") && holds(&x, w, 4, "x")
                     && holds(&down, h, 4, "down") && holds(&cross, h, 4, "cross") && holds(&base, 3, 4, "base")
                     && holds(&out, 3 * h * w, 4, "out")
                     && (!mean.buf || (inside(!mean.readonly, "mean cannot be written") && holds(&mean, h * w, 4, "mean")));
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        for (idx y = 0; y < h; y++) {
            const float *from[3];
            float *to[3];
            for (int k = 0; k < 3; k++) from[k] = (float *)log.buf + (k * h + y) * w, to[k] = (float *)out.buf + (k * h + y) * w;
            if (mean.buf)
                tell_row(from, w, across.buf, x.buf, ((float *)down.buf)[y], ((float *)cross.buf)[y], base.buf, a, b, to, (float *)mean.buf + y * w);
            else
                stretch_row(from, w, across.buf, x.buf, ((float *)down.buf)[y], ((float *)cross.buf)[y], base.buf, a, b, c, to);
        }
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}
