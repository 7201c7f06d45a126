/* Numbers of the wire protocol, version 1.1 (../../protocol.md). */
#ifndef PROTOCOL_H
#define PROTOCOL_H

#define PROTOCOL_VERSION 1

#define MESSAGE_SAMPLE 0x01
#define MESSAGE_IDENTITY 0x02
#define MESSAGE_EVENT 0x03
#define MESSAGE_REPLY 0x04
#define MESSAGE_STATE 0x06
#define MESSAGE_BLOCK 0x07
#define MESSAGE_ABILITIES 0x08
#define MESSAGE_CHANNEL 0x09
#define MESSAGE_READINGS 0x0A

#define COMMAND_IDENTIFY 0x40
#define COMMAND_STREAM 0x41
#define COMMAND_HEARTBEAT 0x42
#define COMMAND_ARM 0x43
#define COMMAND_DISARM 0x44
#define COMMAND_MOVE 0x45
#define COMMAND_PRESS 0x46
#define COMMAND_HALT 0x47
#define COMMAND_LIMITS 0x48
#define COMMAND_HOME 0x49
#define COMMAND_CYCLE 0x4A
#define COMMAND_CLEAR 0x4B
#define COMMAND_STATE 0x4C
#define COMMAND_DESCRIBE 0x4D
#define COMMAND_RELEASE 0x4E
#define FIRST_COMMAND 0x40
#define LAST_COMMAND 0x4E

#define STATUS_SATURATED 0x01u
#define STATUS_POSITION_FAULT 0x02u
#define STATUS_MOVING 0x04u
#define STATUS_TRAVEL_SWITCH 0x08u
#define STATUS_EMERGENCY_STOP 0x10u
#define STATUS_FORCE_TRIP 0x20u
#define STATUS_FRESH_FORCE 0x40u

#define FLAG_ARMED 0x01u
#define FLAG_HOMED 0x02u
#define FLAG_LIMITS_SET 0x04u
#define FLAG_MOVING 0x08u
#define FLAG_STREAMING 0x10u
#define FLAG_MOTOR_CURRENT 0x20u

/* drives, limits force, takes an emergency stop, halts on silence, cycles by itself, says what it can do, tells each switch */
#define CAPABILITIES 0xDFu
#define CAPABILITY_BLOCKS 0x20u

/* what a host says it can read when it asks for a stream */
#define ACCEPTS_BLOCKS 0x01u
#define ACCEPTS_READINGS 0x02u

#define CHANNEL_FORCE 0
#define CHANNEL_SLOW 1
/* a sensor that gives nothing */
#define NO_READING INT32_MIN

enum event_code {
    EVENT_NONE = 0,
    EVENT_BOOT = 1,
    EVENT_FINISHED = 2,
    EVENT_FORCE_TRIP = 4,
    EVENT_TRAVEL_TRIP = 5,
    EVENT_STOP_OPENED = 6,
    EVENT_STOP_CLOSED = 7,
    EVENT_HEARTBEAT_LOST = 8,
    EVENT_STALLED = 9,
    EVENT_FORCE_SILENT = 10,
    EVENT_POSITION_LIMIT = 11,
    EVENT_HALTED = 12,
    EVENT_CYCLE_FINISHED = 13,
    EVENT_HOMED = 14,
    EVENT_POSITION_FAULT = 15
};

/* Values of EVENT_FORCE_SILENT: why the force cannot be believed. */
#define FORCE_SILENT 0
#define FORCE_SATURATED 1
#define FORCE_FROZEN 2
#define FORCE_UNMOVED 3
#define FORCE_GONE 4

enum result {
    RESULT_ACCEPTED = 0,
    RESULT_UNKNOWN = 1,
    RESULT_BAD_ARGUMENT = 2,
    RESULT_NOT_ARMED = 3,
    RESULT_BUSY = 4,
    RESULT_STOP_LATCHED = 5,
    RESULT_OUTSIDE_LIMITS = 6,
    RESULT_LIMITS_NOT_SET = 7,
    RESULT_NOT_HOMED = 8
};

#endif
