"""Physics of what stands behind the topics in an emulation: bodies, contact, valves, gas, bearing, sensors. No ROS."""
