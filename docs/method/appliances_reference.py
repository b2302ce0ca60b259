"""Published figures of appliances, for docs/method/appliances_fit.py, which writes them into
config/appliances.cfg together with what the development traces add.

Ranges are (low, typical, high). `us` marks watts of an appliance for 120 V: appliances.cfg holds
watts at 230 V, of which such appliances take three quarters (model/signature.h).

Sources, as in the comments of appliances.cfg:
  DOE   US Department of Energy, list of typical wattages (as reproduced by a university course page,
        a municipality, a utility and two magazines, which agree)
  GEN   generator-sizing tables with running and starting watts (a newspaper, two magazines)
  CODE  typical watts of a worksheet for the California load calculation
  LIST  other tables of wattages
  TB    the open tracebase data set (Darmstadt 2012, 230 V): 10, 50 and 90 percent of its runs.
        Contains information from the tracebase data set, www.tracebase.org, Open Database License
  PF    power factors: ACEEE Summer Study 2014; a student report of measured single-phase loads;
        Electrical Installation Guide, figure L6
  (m)   from memory, not confirmed
"""

# class of the traces -> key
CLASSES = {
    "WaterKettle": "kettle", "Refrigerator": "refrigerator", "Freezer": "freezer", "MicrowaveOven": "microwave",
    "Toaster": "toaster", "Coffeemaker": "coffee_maker", "BeanToCupCoffeemaker": "espresso_coffee_machine",
    "Dishwasher": "dishwasher", "Washingmachine": "washing_machine", "LaundryDryer": "clothes_dryer", "Iron": "iron",
    "HairDryer": "hair_dryer", "VacuumCleaner": "vacuum_cleaner", "TV-LCD": "television", "TV-CRT": "television",
    "Monitor-TFT": "monitor", "Monitor-CRT": "monitor", "Lamp": "lamp", "PC-Desktop": "desktop_computer",
    "PC-Laptop": "laptop_computer", "Printer": "laser_printer", "Amplifier": "audio_amplifier",
    "Subwoofer": "audio_amplifier", "Router": "network_router", "NAS": "network_storage",
    "Playstation3": "games_console", "VideoProjector": "video_projector", "Breadcutter": "food_slicer",
    "WaterFountain": "water_fountain_pump",
}
# what counts as right for a class beside its own key
ALSO = {
    "television": {"monitor"}, "monitor": {"television"}, "freezer": {"refrigerator"},
    "laptop_computer": {"desktop_computer"}, "desktop_computer": {"laptop_computer"},
    "network_storage": {"network_router", "desktop_computer", "laptop_computer"},
    "coffee_maker": {"espresso_coffee_machine"}, "espresso_coffee_machine": {"coffee_maker"},
    # the traces say "lamp" and "printer", and not of which kind
    "lamp": {"fluorescent_lamp"}, "laser_printer": {"inkjet_printer"},
}
# what an appliance does with its current, for the coarser figure of the report
KINDS = {
    "heats for minutes": "kettle microwave toaster coffee_maker espresso_coffee_machine iron hair_dryer cooking_plate oven toaster_oven electric_range "
                         "instant_hot_water_tap",
    "programme with water": "dishwasher washing_machine clothes_dryer",
    "cools": "refrigerator freezer water_fountain_pump dehumidifier room_air_conditioner central_air_conditioner heat_pump",
    "turns for a while": "vacuum_cleaner food_slicer food_waste_disposer garage_door_opener well_pump sump_pump",
    "light": "lamp fluorescent_lamp",
    "screen": "television monitor video_projector",
    "electronics": "desktop_computer laptop_computer laser_printer inkjet_printer audio_amplifier network_router network_storage games_console",
}
# several meters of one appliance, by the traces' README
SAME = {
    ("Refrigerator", "noid"): "599393", ("MicrowaveOven", "noid"): "995FCC", ("Toaster", "noid"): "98ABD2",
    ("WaterKettle", "noid"): "B80E47", ("Coffeemaker", "noid"): "996605", ("Lamp", "noid"): "B8103B",
    ("Washingmachine", "noid"): "7297E3", ("Refrigerator", "B83B9E"): "B7E6F4", ("TV-LCD", "B83416"): "B8121D",
    ("WaterKettle", "D330A3"): "11F01E", ("PC-Laptop", "5AE2CA"): "B8148C", ("PC-Desktop", "11F01E"): "B7BEA1",
    ("Lamp", "D337C9"): "B81D04", ("Breadcutter", "B7DF9D"): "B7E43D", ("Coffeemaker", "D369E0"): "B1C121",
    ("TV-LCD", "D330A3"): "B814DA",
}

HEAT = dict(inrush=(1, 1.02, 1.1), rise=(1, 1.02, 1.2), fade=(0.93, 0.99, 1.01), spread=(0, 0.004, 0.02),
            ripple=(0.1, 0.2, 0.45), power_factor=(0.98, 1.0, 1.0))
MOTOR = dict(inrush=(1.1, 2, 6), power_factor=(0.55, 0.75, 0.9))
SMPS = dict(inrush=(1, 1.15, 2.5), power_factor=(0.5, 0.62, 0.95))

# key: name, group, share, sure, source, modes [(part, ranges)]. For what the traces hold as well,
# the modes here are added to those of the traces with the part TRACE_REFERENCE.
APPLIANCES = {
    "refrigerator": ("Refrigerator", "cold", 1.0, 0.45, "DOE, GEN, TB; PF 0.75..0.95; US 150..200 W, EU 77 W; 24..36 starts a day", [
        (0.5, dict(watts=(26, 77, 124), seconds=(200, 480, 1860), inrush=(1.1, 1.6, 11.9), per_day=(20, 32, 45),
                   power_factor=(0.75, 0.87, 0.95))),
        (0.5, dict(us=1, watts=(100, 165, 230), seconds=(700, 1500, 2700), inrush=(1.1, 1.6, 12), per_day=(18, 28, 40),
                   power_factor=(0.75, 0.87, 0.95)))]),
    "freezer": ("Freezer", "cold", 0.3, 0.90, "TB 156..173 W, 4..11 min, 24 a day, inrush 6.5 at 1 s; GEN", [
        (1, dict(watts=(120, 158, 220), seconds=(240, 540, 900), inrush=(1.3, 6.5, 8.1), per_day=(16, 24, 36),
                 power_factor=(0.65, 0.8, 0.9)))]),
    "kettle": ("Electric kettle", "", 1.0, 0.46, "TB 1780..2610 W, 1.4..4.1 min; US 1500 W (m)", [
        (1, dict(HEAT, watts=(1780, 2040, 2610), seconds=(84, 174, 246), pulses=(1, 1, 1)))]),
    "microwave": ("Microwave oven", "", 1.0, 0.68, "DOE 1100 W, TB 600..1410 W, 1..8 min; PF 0.90..0.98", [
        (1, dict(watts=(600, 1100, 1410), seconds=(60, 168, 480), inrush=(1, 1.02, 1.2), power_factor=(0.9, 0.95, 0.98)))]),
    "toaster": ("Toaster", "", 1.1, 0.5, "DOE, TB 670..1400 W, 1.7..4.6 min", [
        (1, dict(HEAT, watts=(670, 850, 1400), seconds=(102, 114, 276), pulses=(1, 1, 1)))]),
    "coffee_maker": ("Coffee maker", "coffee", 0.7, 0.95, "DOE, TB 520..1200 W; heating 0.4..3 min, 30 a day", [
        (1, dict(HEAT, watts=(520, 900, 1200), seconds=(24, 120, 600), pulses=(1, 3, 15)))]),
    "espresso_coffee_machine": ("Espresso machine", "coffee", 0.5, 0.95, "TB 890..1510 W, pulses of 0.1..1.2 min by the hundred", [
        (1, dict(HEAT, watts=(890, 1200, 1510), seconds=(30, 300, 3000), pulses=(3, 30, 300)))]),
    "dishwasher": ("Dishwasher", "", 0.35, 0.80, "DOE 1200..2400 W; element 2 x 10..20 min; pump 25..100 W (m)", [
        (0.5, dict(HEAT, watts=(1200, 1950, 2400), seconds=(400, 800, 1300))),
        (0.5, dict(watts=(25, 60, 110), seconds=(100, 500, 1500), inrush=(1, 1.4, 3), power_factor=(0.45, 0.6, 0.8)))]),
    "washing_machine": ("Washing machine", "", 0.65, 0.48, "DOE 350..500 W, GEN, TB; element 2000..2250 W; reversals every 5..20 s", [
        (0.5, dict(watts=(60, 250, 500), seconds=(60, 400, 2000), pulses=(2, 15, 60), power_factor=(0.5, 0.65, 0.8))),
        (0.5, dict(watts=(1900, 2100, 2300), seconds=(300, 900, 1800), power_factor=(0.95, 0.99, 1)))]),
    "clothes_dryer": ("Clothes dryer", "", 1.0, 0.30, "DOE 1800..5000 W; TB 2500..3160 W, 30..65 min; bursts of the element", [
        (1, dict(watts=(2300, 2800, 5200), seconds=(200, 900, 3000), power_factor=(0.9, 0.98, 1)))]),
    "iron": ("Iron", "", 0.5, 0.7, "DOE 1000..1800 W, TB; bursts 0.1..11 min", [
        (1, dict(HEAT, watts=(1000, 1500, 1800), seconds=(30, 120, 660), pulses=(1, 4, 20)))]),
    "hair_dryer": ("Hair dryer", "", 0.8, 0.35, "DOE, TB 1180..1900 W, 0.5..5.6 min, steps by setting", [
        (1, dict(watts=(600, 1500, 1900), seconds=(30, 120, 336), inrush=(1, 1.05, 1.6), rise=(1, 1.3, 5), fade=(0.4, 1, 1.5)))]),
    "vacuum_cleaner": ("Vacuum cleaner", "", 0.5, 0.95, "DOE 1000..1440 W, TB 1.8..20 min; PF 0.92", [
        (1, dict(watts=(900, 1130, 1440), seconds=(108, 480, 1200), inrush=(1, 1.05, 2), ripple=(0.5, 1, 2),
                 fade=(0.9, 0.97, 1.02), power_factor=(0.85, 0.92, 0.97)))]),
    "television": ("Television", "display", 1.6, 0.88, "DOE, TB 28..141 W flat, 98..136 W tube; PF 0.63..0.96", [
        (1, dict(SMPS, watts=(28, 95, 141), seconds=(1560, 3600, 8760)))]),
    "monitor": ("Computer monitor", "display", 2.5, 0.95, "TB 36..94 W, 25..170 min; PF 0.50..0.64", [
        (1, dict(SMPS, watts=(25, 41, 94), seconds=(1500, 5000, 10200)))]),
    "lamp": ("Lamp", "light", 0.9, 0.77, "DOE 25..500 W; hours", [
        (1, dict(watts=(15, 50, 200), seconds=(1200, 6000, 20000), inrush=(1, 1.02, 1.3), spread=(0, 0.01, 0.03),
                 power_factor=(0.55, 1, 1)))]),
    "desktop_computer": ("Desktop computer", "computer", 0.5, 0.97, "TB 43..128 W, DOE 120 W, 2..24 h; PF 0.58..0.7", [
        (1, dict(SMPS, watts=(43, 90, 128), seconds=(7200, 20000, 86400)))]),
    "laptop_computer": ("Laptop computer", "computer", 1.9, 0.97, "TB 15..50 W, hours; PF 0.55", [
        (1, dict(SMPS, watts=(15, 25, 55), seconds=(1800, 7200, 20000)))]),
    "laser_printer": ("Laser printer", "", 0.2, 0.85, "TB 218..760 W, 0.8..5.4 min; PF 0.5", [
        (1, dict(watts=(218, 380, 760), seconds=(48, 210, 324), inrush=(1, 1.6, 2), pulses=(1, 4, 20),
                 power_factor=(0.45, 0.6, 0.9)))]),
    "inkjet_printer": ("Inkjet printer", "", 0.2, 0.9, "2..7 W asleep, 9..30 W printing for 20..300 s (m)", [
        (1, dict(SMPS, watts=(9, 16, 30), seconds=(20, 80, 300)))]),
    "audio_amplifier": ("Audio amplifier", "", 0.5, 0.95, "10..100 W, hours (m)", [
        (1, dict(SMPS, watts=(10, 35, 100), seconds=(1800, 9000, 30000)))]),
    "network_router": ("Network router", "", 0.5, 0.97, "TB 4..11 W, always; PF 0.5 (m)", [
        (1, dict(SMPS, watts=(4, 6, 11), seconds=(30000, 80000, 90000)))]),
    "network_storage": ("Network storage", "", 0.25, 0.97, "10..40 W, hours to always (m)", [
        (1, dict(SMPS, watts=(10, 22, 40), seconds=(20000, 50000, 90000)))]),
    "games_console": ("Games console", "", 1.3, 0.90, "TB 77..117 W, 23..176 min; PF 0.70..0.99", [
        (1, dict(SMPS, watts=(77, 105, 130), seconds=(1380, 4000, 10560)))]),
    "video_projector": ("Video projector", "", 0.3, 0.83, "150..300 W, 30..170 min (m)", [
        (1, dict(SMPS, watts=(150, 200, 300), seconds=(1800, 6000, 10000)))]),
    "food_slicer": ("Food slicer", "", 0.3, 0.67, "60..200 W, seconds (m)", [
        (1, dict(MOTOR, watts=(60, 120, 200), seconds=(10, 60, 400)))]),
    "water_fountain_pump": ("Water fountain or cooler", "", 0.3, 0.9, "TB 151..167 W, 2..6 min, 63 a day, inrush 1.1..1.6", [
        (1, dict(watts=(151, 156, 167), seconds=(110, 130, 360), inrush=(1.1, 1.3, 1.6), per_day=(30, 63, 120)))]),
    "portable_heater": ("Portable heater", "", 1.0, 0.43, "DOE, GEN 750..1500 W (US), 2000 W (EU); 10 min to hours, thermostat", [
        (0.35, dict(HEAT, watts=(900, 1500, 2300), seconds=(900, 3000, 9500), pulses=(1, 1, 1))),
        (0.65, dict(HEAT, watts=(900, 1500, 2300), seconds=(140, 350, 850), pulses=(1, 1, 1), usual_seconds=(140, 350, 850),
                    seconds_vary=(0.06, 0.2, 0.5), gap_seconds=(300, 665, 1500), gap_vary=(0.06, 0.2, 0.5), lately=(1.8, 3.5, 8)))]),
    # published figures alone from here on
    "water_heater": ("Storage water heater", "", 0.4, 0.6, "DOE 3000..5500 W; 10..90 min (m), 2..6 a day (m)", [
        (0.6, dict(HEAT, watts=(3000, 4500, 5500), seconds=(400, 1800, 5400), per_day=(2, 4, 8))),
        (0.4, dict(HEAT, watts=(1500, 2000, 2400), seconds=(200, 500, 1500), per_day=(3, 8, 25)))]),
    "tankless_water_heater": ("Tankless water heater", "", 0.2, 0.5, "CODE 18..36 kW; 1..15 min a draw", [
        (1, dict(HEAT, watts=(12000, 21000, 36000), seconds=(40, 240, 900)))]),
    "instant_hot_water_tap": ("Instant hot tap", "", 0.1, 0.6, "CODE 1500 W; 1..3 min", [
        (1, dict(HEAT, us=1, watts=(1300, 1500, 1700), seconds=(40, 100, 200), per_day=(5, 12, 40)))]),
    "electric_range": ("Electric range", "cooking", 0.3, 0.8, "CODE 2..12 kW; bursts of 5..60 s (m)", [
        (1, dict(HEAT, watts=(2000, 5000, 12000), seconds=(60, 600, 2400), pulses=(2, 10, 60), changes=(0.5, 2, 6)))]),
    "cooking_plate": ("Cooking plate", "cooking", 0.3, 0.7, "TB 847..906 W, 1.5..11 min, 4 a day", [
        (1, dict(HEAT, watts=(847, 883, 906), seconds=(90, 420, 660), pulses=(1, 2, 10)))]),
    "oven": ("Oven", "cooking", 0.4, 0.75, "CODE 2000..4000 W; bursts of 1..10 min", [
        (1, dict(HEAT, watts=(2000, 2500, 4000), seconds=(60, 500, 2400), pulses=(1, 4, 20)))]),
    "toaster_oven": ("Toaster oven", "", 0.1, 0.7, "GEN 1200..1750 W; bursts", [
        (1, dict(HEAT, us=1, watts=(1200, 1225, 1750), seconds=(100, 500, 1500), pulses=(1, 3, 10)))]),
    "central_air_conditioner": ("Central air conditioner", "air", 0.4, 0.6, "LIST 2500..4500 W; starts at 4..6 x for 0.1..0.3 s; 10..15 min, 3 an hour at most", [
        (1, dict(watts=(2500, 3500, 4500), seconds=(500, 800, 1800), inrush=(1.05, 1.5, 5), gap_seconds=(1200, 1800, 4000),
                 power_factor=(0.88, 0.93, 0.97)))]),
    "room_air_conditioner": ("Room air conditioner", "air", 0.4, 0.7, "LIST, GEN 750..2000 W, starts at 4 x; 5..20 min", [
        (1, dict(us=1, watts=(750, 1000, 1700), seconds=(300, 700, 1800), inrush=(1.05, 1.5, 4), gap_seconds=(700, 1200, 3000),
                 power_factor=(0.85, 0.9, 0.97)))]),
    "heat_pump": ("Heat pump", "air", 0.3, 0.7, "CODE 6..12 kW with backup; 10..60 min; PF 0.9 (m)", [
        (1, dict(watts=(2000, 5000, 12000), seconds=(600, 1500, 5000), inrush=(1, 1.2, 4), power_factor=(0.85, 0.93, 0.99)))]),
    "electric_furnace": ("Electric furnace", "", 0.2, 0.6, "CODE 8..15 kW in stages of 4..5 kW; 10 min, 3..6 an hour", [
        (1, dict(HEAT, watts=(8000, 10000, 15000), seconds=(300, 600, 1500), gap_seconds=(600, 900, 1500)))]),
    "furnace_blower": ("Furnace blower", "", 0.4, 0.85, "GEN, LIST 350..875 W, starts at 2..3.7 x; 3..6 an hour; PF 0.6..0.8 (m)", [
        (1, dict(us=1, watts=(350, 600, 875), seconds=(300, 600, 1500), inrush=(1.2, 2, 3.7), gap_seconds=(600, 900, 2400),
                 power_factor=(0.6, 0.7, 0.8)))]),
    "well_pump": ("Well pump", "water", 0.3, 0.8, "GEN, LIST 575..1100 W, starts at 2..3.1 x; 0.5..5 min; PF 0.7 (m)", [
        (1, dict(us=1, watts=(575, 750, 1100), seconds=(30, 90, 300), inrush=(1.3, 2, 3.1), power_factor=(0.6, 0.7, 0.8)))]),
    "circulation_pump": ("Circulation pump", "", 0.3, 0.9, "5..45 W regulated, 35..100 W in fixed stages, of a heating or solar collectors (m)", [
        (1, dict(watts=(5, 30, 100), seconds=(900, 9000, 60000), inrush=(1, 1.1, 1.6), power_factor=(0.5, 0.8, 0.95)))]),
    "sump_pump": ("Sump pump", "water", 0.3, 0.8, "GEN 750..1050 W, starts at 1.9..3.5 x; 10..60 s (m)", [
        (1, dict(us=1, watts=(750, 900, 1050), seconds=(10, 25, 60), inrush=(1.3, 2, 3.5), power_factor=(0.6, 0.7, 0.8)))]),
    "pool_pump": ("Pool pump", "", 0.2, 0.7, "CODE 1500..3000 W; 4..12 h by timer", [
        (1, dict(watts=(1500, 2000, 3000), seconds=(14400, 26000, 43200), inrush=(1.1, 2, 5), per_day=(0.7, 1, 2),
                 power_factor=(0.75, 0.85, 0.95)))]),
    "spa_heater": ("Spa or pool heater", "", 0.1, 0.8, "CODE 1500..11000 W; 30..120 min", [
        (1, dict(HEAT, watts=(1500, 5500, 11000), seconds=(1800, 3600, 7200)))]),
    "vehicle_charger": ("Vehicle charger", "", 0.4, 0.6, "LIST 1440, 3840, 7680, 9600, 11520 W; 1..10 h, ramps up over seconds (m)", [
        (1, dict(watts=(1400, 5500, 11500), seconds=(3600, 14000, 36000), inrush=(1, 1, 1.05), spread=(0, 0.01, 0.05),
                 night=(0.1, 0.45, 0.9), per_day=(0.3, 0.8, 1.5), power_factor=(0.97, 0.99, 1)))]),
    "dehumidifier": ("Dehumidifier", "", 0.3, 0.85, "DOE, LIST 250..785 W; 10..60 min (m)", [
        (1, dict(us=1, watts=(250, 350, 785), seconds=(600, 1500, 3600), inrush=(1.1, 2, 5), power_factor=(0.7, 0.8, 0.9)))]),
    "whole_house_fan": ("Whole-house fan", "fan", 0.1, 0.9, "DOE, CODE 240..750 W; hours", [
        (1, dict(us=1, watts=(240, 500, 750), seconds=(3600, 10000, 30000), inrush=(1.2, 2, 3), power_factor=(0.8, 0.9, 0.95)))]),
    "ceiling_fan": ("Ceiling fan", "fan", 0.3, 0.9, "DOE 65..175 W; hours; PF 0.99", [
        (1, dict(us=1, watts=(40, 75, 175), seconds=(3600, 12000, 40000), inrush=(1, 1.3, 1.6), power_factor=(0.9, 0.97, 0.99)))]),
    "window_fan": ("Window fan", "fan", 0.2, 0.9, "DOE 55..250 W; hours", [
        (1, dict(us=1, watts=(55, 150, 250), seconds=(3600, 10000, 30000), inrush=(1, 1.3, 2)))]),
    "food_waste_disposer": ("Food waste disposer", "", 0.3, 0.8, "CODE 450..1000 W; 10..60 s (m); PF 0.6..0.7 (m)", [
        (1, dict(us=1, watts=(450, 700, 1000), seconds=(10, 25, 60), inrush=(1.3, 2.5, 5), power_factor=(0.6, 0.65, 0.75)))]),
    "garage_door_opener": ("Garage door opener", "", 0.3, 0.8, "LIST 550..1100 W; 12..20 s (m), 4..10 a day (m)", [
        (1, dict(us=1, watts=(450, 700, 1100), seconds=(11, 15, 22), inrush=(1.2, 1.8, 3), per_day=(3, 6, 12)))]),
    "electric_blanket": ("Electric blanket", "", 0.2, 0.9, "DOE, LIST 60..180 W; hours in pulses, at night", [
        (1, dict(watts=(60, 100, 180), seconds=(600, 5000, 25000), inrush=(1, 1, 1.1), pulses=(3, 30, 200), night=(0.2, 0.5, 0.9)))]),
    "aquarium": ("Aquarium", "", 0.1, 0.9, "DOE 50..1210 W; its heater cycles", [
        (1, dict(HEAT, watts=(50, 150, 400), seconds=(200, 900, 4000), night=(0.15, 0.25, 0.4), per_day=(5, 20, 60)))]),
    "fluorescent_lamp": ("Fluorescent lamp", "light", 0.5, 0.93, "PF 10..100 W, 0.5 raw, 0.89..0.93 corrected; hours", [
        (1, dict(watts=(10, 30, 100), seconds=(1200, 7000, 25000), inrush=(1, 1.1, 1.6), power_factor=(0.5, 0.6, 0.93)))]),
}
