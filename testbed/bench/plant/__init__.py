"""Speed and accuracy of the plant's step beside MuJoCo's, and how its cost grows with the number of vehicles."""

from testbed.bench.plant.measure import plant_scaling, plant_speed

__all__ = ["plant_scaling", "plant_speed"]
