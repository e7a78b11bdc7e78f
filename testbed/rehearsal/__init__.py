"""Rehearsals without ROS, and what the engine and the live graph share in setting one up."""
