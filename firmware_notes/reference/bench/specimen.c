#include <math.h>

#include "press_model.h"

static double set_mm(const struct specimen *specimen)
{
    return specimen->set_share * specimen->deepest_mm;
}

static double loading_n(const struct specimen *specimen, double d)
{
    double p = specimen->deepest_mm, k = specimen->stiffness_n_per_mm;
    if (d >= p)
        return k * d;
    double from = specimen->from_mm, from_n = specimen->from_n;
    if (d <= from)
        return 0.0;
    return from_n + (k * p - from_n) * (d - from) / (p - from);
}

static double unloading_n(const struct specimen *specimen, double d)
{
    double s = set_mm(specimen);
    if (d <= s)
        return 0.0;
    return specimen->from_n * pow((d - s) / (specimen->from_mm - s), specimen->power);
}

/* The platen moved to a place; steps are so small that a turn lies on one. */
double specimen_force_n(struct specimen *specimen, double platen_mm)
{
    double d = platen_mm - specimen->contact_mm, before = specimen->before_mm;
    if (specimen->stiffness_n_per_mm <= 0.0)
        return 0.0;
    if (d < before && specimen->loading && before > set_mm(specimen)) {
        specimen->from_n = loading_n(specimen, before);
        specimen->from_mm = before;
        specimen->loading = false;
        specimen->squeezes += before > specimen->deepest_mm / 2;
    } else if (d > before && !specimen->loading) {
        specimen->from_n = unloading_n(specimen, before);
        specimen->from_mm = before > set_mm(specimen) ? before : set_mm(specimen);
        specimen->loading = true;
    }
    double force = specimen->loading ? loading_n(specimen, d) : unloading_n(specimen, d);
    if (d > specimen->deepest_mm)
        specimen->deepest_mm = d;
    specimen->before_mm = d;
    return force > 0.0 ? force : 0.0;
}
