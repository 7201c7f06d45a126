/* The chip's own thermometer as a slow channel, put before every file of the firmware by make rp2040 TEMPERATURE=1.
 *
 * 27 degC at 0.706 V, 1.721 mV less for each degree more, 3.3 V in 4096 steps: RP2040 Datasheet, 4.9.5, as recalled. A
 * step is 0.47 degC, and chips differ by some degrees: it shows how warm the board gets, not the air.
 */
#ifndef TEMPERATURE_H
#define TEMPERATURE_H

#define CHANNELS 1
#define CHANNEL_TABLE \
    { \
        {CHANNEL_SLOW, "degC", -468137, -6, 934, "chip_temperature"}, \
    }

#endif
