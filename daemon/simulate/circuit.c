/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/circuit.h"

#include <math.h>

enum regime { REGULATED, LIMITED, SINKING, APART };

/* dv/dt = (drive - slope v) / C while the regime lasts. */
struct straight {
    double drive_A;
    double slope_S;
};

static enum regime regime_at(const struct circuit *circuit, const struct circuit_source *source,
                             double *low_V, double *high_V)
{
    *low_V = -INFINITY;
    *high_V = INFINITY;
    if (!circuit->connected)
        return APART;
    double limited_below_V = source->emf_V - circuit->series_ohm * source->limit_A;
    double sinking_above_V = source->emf_V + circuit->series_ohm * source->sink_A;
    if (circuit->capacitor_V < limited_below_V) {
        *high_V = limited_below_V;
        return LIMITED;
    }
    if (circuit->capacitor_V > sinking_above_V) {
        *low_V = sinking_above_V;
        return SINKING;
    }
    *low_V = limited_below_V;
    *high_V = sinking_above_V;
    return REGULATED;
}

static double source_current(const struct circuit *circuit, const struct circuit_source *source,
                             enum regime regime, double voltage_V)
{
    switch (regime) {
    case LIMITED:
        return source->limit_A;
    case SINKING:
        return -source->sink_A;
    case REGULATED:
        return (source->emf_V - voltage_V) / circuit->series_ohm;
    case APART:
        break;
    }
    return 0;
}

/* When v, moving as `law` says, first stands at edge_V; INFINITY: never. */
static double time_to(const struct straight *law, double capacitor_F, double from_V, double edge_V)
{
    if (!isfinite(edge_V))
        return INFINITY;
    if (law->slope_S <= 0) {
        double speed = law->drive_A / capacitor_F;
        double time = speed != 0 ? (edge_V - from_V) / speed : 0;
        if (time > 0)
            return time;
        return INFINITY;
    }
    double end_V = law->drive_A / law->slope_S;
    double share = (edge_V - end_V) / (from_V - end_V);
    if (!(share > 0) || share >= 1)
        return INFINITY;
    return -log(share) * capacitor_F / law->slope_S;
}

/* Moves v for time_s; *area_Vs gains its integral. */
static double move(const struct straight *law, double capacitor_F, double from_V, double time_s,
                   double *area_Vs)
{
    if (law->slope_S <= 0) {
        double to_V = from_V + law->drive_A / capacitor_F * time_s;
        *area_Vs += 0.5 * (from_V + to_V) * time_s;
        return to_V;
    }
    double constant_s = capacitor_F / law->slope_S;
    double end_V = law->drive_A / law->slope_S;
    double gone = -expm1(-time_s / constant_s);
    *area_Vs += end_V * time_s + (from_V - end_V) * constant_s * gone;
    return from_V + (end_V - from_V) * gone;
}

struct circuit_flow circuit_step(struct circuit *circuit, const struct circuit_source *source,
                                 double load_A, double step_s)
{
    struct circuit_flow flow = {0};
    double left_s = step_s;
    /* A step crosses few edges; the bound keeps rounding at an edge from
     * holding it there. */
    for (int piece = 0; piece < 12 && left_s > 0; piece++) {
        double low_V = 0, high_V = 0;
        enum regime regime = regime_at(circuit, source, &low_V, &high_V);
        double from_V = circuit->capacitor_V;
        struct straight law = {-load_A, 0};
        if (regime == REGULATED) {
            law.drive_A += source->emf_V / circuit->series_ohm;
            law.slope_S += 1 / circuit->series_ohm;
        } else {
            law.drive_A += source_current(circuit, source, regime, from_V);
        }
        if (circuit->shunt_S > 0 && from_V >= circuit->shunt_from_V) {
            law.drive_A += circuit->shunt_S * circuit->shunt_from_V;
            law.slope_S += circuit->shunt_S;
            low_V = fmax(low_V, circuit->shunt_from_V);
        } else if (circuit->shunt_S > 0) {
            high_V = fmin(high_V, circuit->shunt_from_V);
        }
        low_V = fmax(low_V, 0);
        double up_s = time_to(&law, circuit->capacitor_F, from_V, high_V);
        double down_s = time_to(&law, circuit->capacitor_F, from_V, low_V);
        double time_s = fmin(left_s, fmin(up_s, down_s));
        double area_Vs = 0;
        double to_V = move(&law, circuit->capacitor_F, from_V, time_s, &area_Vs);
        /* Past the edge by a hair, so that the next piece has the next regime. */
        if (time_s == up_s && time_s < left_s)
            to_V = high_V + 1e-12 * (1 + fabs(high_V));
        else if (time_s == down_s && time_s < left_s)
            to_V = low_V - 1e-12 * (1 + fabs(low_V));
        if (regime == REGULATED)
            flow.charge_C += (source->emf_V * time_s - area_Vs) / circuit->series_ohm;
        else
            flow.charge_C += source_current(circuit, source, regime, from_V) * time_s;
        circuit->capacitor_V = fmax(to_V, 0);
        left_s -= time_s;
        if (to_V <= 0 && law.drive_A <= 0)
            break; /* empty, and nothing fills it */
    }
    double low_V = 0, high_V = 0;
    enum regime regime = regime_at(circuit, source, &low_V, &high_V);
    flow.current_A = source_current(circuit, source, regime, circuit->capacitor_V);
    flow.limited = regime == LIMITED;
    return flow;
}

struct circuit_flow circuit_step_load(struct circuit *circuit, const struct circuit_source *source,
                                      circuit_load *load, const void *context, double step_s)
{
    struct circuit trial = *circuit;
    circuit_step(&trial, source, load(context, trial.capacitor_V), step_s);
    double middle_V = 0.5 * (trial.capacitor_V + circuit->capacitor_V);
    return circuit_step(circuit, source, load(context, middle_V), step_s);
}

double load_current_A(double level_A, double nominal_V, double exponent, double voltage_V)
{
    if (voltage_V <= 0 || level_A == 0)
        return 0;
    if (exponent == 0)
        return level_A;
    double ratio = voltage_V / nominal_V;
    if (exponent == 1)
        return level_A * ratio;
    if (exponent == -1)
        return level_A / ratio;
    return level_A * pow(ratio, exponent);
}
