/* The force amplifier: averages over each conversion, delivers it some conversions later, bit by bit. */
#ifndef AMPLIFIER_MODEL_H
#define AMPLIFIER_MODEL_H

#include "press_model.h"

void amplifier_model_begin(struct press_model *model);

/* The force is about to change: count the time since the last change at the old one. */
void amplifier_model_sum(struct press_model *model);

/* An analogue amplifier instead, at the chip's own converter: what it reads now. Silent, it gives its last value. */
uint32_t amplifier_model_reading(struct press_model *model);

void amplifier_model_clock(struct press_model *model, bool high);

#endif
