"""ROS nodes: thin shells that translate messages and call the components of model/, flight/ and plan/."""
