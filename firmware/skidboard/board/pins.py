"""Pins by signal, made from hardware/wiring.toml by `skidwright wiring make`."""

# Particle counts >=4, >=6, >=14, >=21 um(c), then ferrous and non-ferrous metal
COUNTER_PINS = (2, 3, 4, 17, 6, 7)
FLOW_METER_PIN = 8

# Slice 0 to 3, so that a soft reset stops the drive
PUMP_PIN = 16
PUMP_PWM_HZ = 20000

# Sampling valves in the order of the setting `assets`
SELECTOR_PINS = (12, 13, 14, 15, 18, 19, 20, 21)
STORED_LAMP_PIN = 22
# Turned over each tick while no fault is up
HEARTBEAT_PIN = 5

# Level that means stop, over-pressure, safe mode
STOP_CHAIN_PIN = 9
STOP_CHAIN_ACTIVE = 1
OVER_PRESSURE_PIN = 10
OVER_PRESSURE_ACTIVE = 1
SAFE_MODE_PIN = 11
SAFE_MODE_ACTIVE = 0

# Analogue inputs
WATER_LOOP_PIN = 26
TEMP_LOOP_PIN = 27
TEMP_THERMISTOR_PIN = 28
ADC_REFERENCE_MV = 3300
SHUNT_OHM = 150
THERMISTOR_PULL_OHM = 10000
THERMISTOR_SERIES_OHM = 1500

# Bus of the 16-bit converter and the clock chip, both optional
I2C_BUS = 0
I2C_SDA_PIN = 0
I2C_SCL_PIN = 1
CONVERTER_ADDRESS = 0x48
CLOCK_CHIP_ADDRESS = 0x68
EXPANDER_ADDRESS = 0x20
DISPLAY_ADDRESS = 0x3C

# Option: pump tachometer in place of the eighth sampling valve
PUMP_TACHOMETER_PIN = 21

# Option: RS-485 port in place of the seventh and eighth sampling valve
RS485_TX_PIN = 20
RS485_RX_PIN = 21
RS485_RX_UART = 1

# Option: pump tachometer in place of the sixth sampling valve, beside the RS-485 port
PUMP_TACHOMETER_BESIDE_RS485_PIN = 19

# Option: particle counter with a serial line in place of the four pulse outputs
COUNTER_LINE_PIN = 17
COUNTER_LINE_UART = 0

# Option: particle counter with a 4-20 mA loop in place of the four pulse outputs and the temperature loop
CODE_LOOP_PIN = 27
