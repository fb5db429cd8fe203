/* Of sides: light along profiles, and lines through places. */

/* sides.fitted: a line, bent, through places along a side; see there. Returns how far they commonly lie off it. */
typedef struct {
    double value, weight;
} weighted;

static int by_value(const void *a, const void *b)
{
    const double x = ((const weighted *)a)->value, y = ((const weighted *)b)->value;
    return (x > y) - (x < y);
}

static double fit_line(const double *s, const double *at, const double *weight, idx n, int early, double settled, double *line, weighted *off)
{
    double scatter = 0.0;
    for (int round = 0; round < 6; round++) {
        double total = 0.0, sum = 0.0, low = INFINITY, high = -INFINITY, many = 0.0;
        double a[3][4] = {{0.0}};
        idx half = 0;
        for (idx i = 0; i < n; i++) {
            off[i].value = fabs(at[i] - (line[0] + line[1] * s[i] + line[2] * (s[i] * s[i] - 1)));
            off[i].weight = weight[i];
            total += weight[i];
        }
        qsort(off, (size_t)n, sizeof *off, by_value);
        while (half < n - 1 && (sum += off[half].weight) < total / 2) half++;
        scatter = 1.4826 * off[half].value > 0.15 ? 1.4826 * off[half].value : 0.15;
        const double wide = 3.0 * scatter > 0.6 ? 3.0 * scatter : 0.6, scale = wide < 2.5 ? wide : 2.5;
        for (idx i = 0; i < n; i++) {
            const double t[3] = {1.0, s[i], s[i] * s[i] - 1}, rest = at[i] - (line[0] + line[1] * s[i] + line[2] * t[2]);
            const double far = rest / (0.5 * scale), use = fabs(rest) < 2 * scale ? weight[i] / (1 + far * far) : 0.0;
            if (!(use > 0)) continue;
            low = s[i] < low ? s[i] : low, high = s[i] > high ? s[i] : high, many += use;
            for (int j = 0; j < 3; j++) {
                for (int k = 0; k < 3; k++) a[j][k] += use * t[j] * t[k];
                a[j][3] += use * t[j] * at[i];
            }
        }
        const double spread = high > low ? high - low : 0.0, held = spread > 0.1 ? spread : 0.1, all = 1 + 0.02 * n;
        a[0][0] += 1e-9;
        a[1][1] += 0.6 / (held * held) * all + 1e-9;
        a[2][2] += (spread < 1.2 || early ? 1e6 : 1.5 / (held * held * held * held) * all) + 1e-9;
        for (int j = 0; j < 3; j++)         /* symmetric and positive, so no row changes places */
            for (int k = j + 1; k < 3; k++) {
                const double share = a[k][j] / a[j][j];
                for (int m = j; m < 4; m++) a[k][m] -= share * a[j][m];
            }
        double moved = 0.0;
        for (int j = 2; j >= 0; j--) {
            double value = a[j][3];
            for (int k = j + 1; k < 3; k++) value -= a[j][k] * a[k][3];
            a[j][3] = value / a[j][j];
        }
        for (int j = 0; j < 3; j++) {
            moved = fabs(a[j][3] - line[j]) > moved ? fabs(a[j][3] - line[j]) : moved;
            line[j] = a[j][3];
        }
        if (many < 3 || moved < settled) break;
    }
    return scatter;
}

INLINE double clipped(double v, double high) { return v > 0.0 ? v < high ? v : high : 0.0; }

/* sides._crossings: of each profile, where the light is half way between both sides of its steepest rise. */
static void crossings(const double *profile, const double *light, idx rows, idx n, const double *across, const double *guess,
                      double window, int wide, double *at, double *rise)
{
    const idx far = wide ? 12 : 6;
    const double sign = wide ? 1.0 : -1.0;
    for (idx y = 0; y < rows; y++, profile += n, light += n) {
        double steepest = -INFINITY;
        idx best = 0, first = -1;
        for (idx i = 0; i < n; i++) {
            double steep = -1.0;
            if (fabs(across[i] - guess[y]) <= window) steep = i < 2 || i >= n - 2 ? 0.0 : profile[i + 2] - profile[i - 2];
            if (steep > steepest) steepest = steep, best = i;
        }
        const idx lo = best > far ? best - far : 0, hi = best + far < n ? best + far : n - 1;
        const double half = sign * ((light[lo] + light[hi]) / 2);
        for (idx i = lo; i < hi; i++) {
            const idx away = i < best ? best - i : i - best, before = first < best ? best - first : first - best;
            if (sign * light[i] <= half && sign * light[i + 1] > half && (first < 0 || away < before)) first = i;
        }
        rise[y] = first < 0 || !(profile[hi] - profile[lo] > 0) ? 0.0 : profile[hi] - profile[lo];
        if (first < 0) first = 0;
        const double a = sign * light[first], span = sign * light[first + 1] - a, share = (half - a) / (span > 1e-6 ? span : 1e-6);
        at[y] = across[first] + (share > 0 ? share < 1 ? share : 1.0 : 0.0) * (across[1] - across[0]);
    }
}

/* sides.sample, and frame._refined: bilinear light at points, and its log10, the mean of three channels. */
WIDEST static void logs_at(const float *light, idx h, idx w, const double *px, const double *py, idx n, float floor, float *out)
{
    for (idx i = 0; i < n; i++) {
        const double x = clipped(px[i], w - 1.001), y = clipped(py[i], h - 1.001);
        const idx ix = (idx)x, iy = (idx)y;
        const float fx = (float)(x - ix), fy = (float)(y - iy);
        const float *p = light + 3 * (iy * w + ix), *q = p + 3 * w;
        float log[3];
        for (int c = 0; c < 3; c++) {
            const float upper = p[c] * (1 - fx) + p[c + 3] * fx, lower = q[c] * (1 - fx) + q[c + 3] * fx;
            log[c] = logarithm(most(upper * (1 - fy) + lower * fy, floor)) * 0.43429448f;
        }
        out[i] = (log[0] + log[1] + log[2]) * (float)(1.0 / 3);
    }
}

/* --- what Python sees --- */

static PyObject *py_crossings(PyObject *self, PyObject *args)
{
    Py_buffer profile, light, across, guess, at, rise;
    idx rows, n;
    double window;
    int wide;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*nny*y*dpw*w*", &profile, &light, &rows, &n, &across, &guess, &window, &wide, &at, &rise))
        return NULL;
    Py_buffer *all[] = {&profile, &light, &across, &guess, &at, &rise};
    const int fine = inside(rows >= 0 && n > 1, "no profiles") && holds(&profile, rows * n, 8, "profile") && holds(&light, rows * n, 8, "light")
                     && holds(&across, n, 8, "across") && holds(&guess, rows, 8, "guess") && holds(&at, rows, 8, "at")
                     && holds(&rise, rows, 8, "rise");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        crossings(profile.buf, light.buf, rows, n, across.buf, guess.buf, window, wide, at.buf, rise.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}

static PyObject *py_fit_line(PyObject *self, PyObject *args)
{
    Py_buffer s, at, weight;
    idx n;
    int early;
    double settled, scatter = 0.0, line[3];
    (void)self;
    if (!PyArg_ParseTuple(args, "y*y*y*npdddd", &s, &at, &weight, &n, &early, &settled, line, line + 1, line + 2)) return NULL;
    Py_buffer *all[] = {&s, &at, &weight};
    int fine = inside(n > 0, "no places") && holds(&s, n, 8, "s") && holds(&at, n, 8, "at") && holds(&weight, n, 8, "weight");
    weighted *off = fine ? PyMem_RawMalloc((size_t)n * sizeof *off) : NULL;
    if (fine && !off) fine = PyErr_NoMemory() != NULL;
    if (fine) scatter = fit_line(s.buf, at.buf, weight.buf, n, early, settled, line, off);
    PyMem_RawFree(off);
    PyObject *nothing = DONE_ALL(all, fine);
    if (!nothing) return NULL;
    Py_DECREF(nothing);
    return Py_BuildValue("((ddd)d)", line[0], line[1], line[2], scatter);
}

static PyObject *py_logs_at(PyObject *self, PyObject *args)
{
    Py_buffer light, x, y, out;
    idx h, w, n;
    float floor;
    (void)self;
    if (!PyArg_ParseTuple(args, "y*nny*y*nfw*", &light, &h, &w, &x, &y, &n, &floor, &out)) return NULL;
    Py_buffer *all[] = {&light, &x, &y, &out};
    const int fine = inside(h > 1 && w > 1 && n >= 0 && floor > 1e-37f, "the view is too small") && holds(&light, 3 * h * w, 4, "light")
                     && holds(&x, n, 8, "x") && holds(&y, n, 8, "y") && holds(&out, n, 4, "out");
    if (fine) {
        Py_BEGIN_ALLOW_THREADS
        logs_at(light.buf, h, w, x.buf, y.buf, n, floor, out.buf);
        Py_END_ALLOW_THREADS
    }
    return DONE_ALL(all, fine);
}
