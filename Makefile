# What a person types here; `make help` lists it. For example:
#
#   make rehearse PLAN=my/plan.yaml SPEED=1 SEED=7
#   make rehearse ROS=system      with the apt ROS 2 sourced in this shell, instead of rclpy's wheels

PLAN  ?=
SPEED ?= 4
SEED  ?=
ROS   ?= wheels

ifeq ($(ROS),system)
VENV   := .venv-system
EXTRAS :=
DEV    := dev
else
VENV   := .venv
EXTRAS := ros
DEV    := ros,dev
# A sourced ROS would mix its packages and libraries with those of .venv; so would a caller's own rclpy wheels.
ifneq ($(ROS_DISTRO)$(_ROS_WHEELS_BOOTSTRAP_COMPLETE),)
unexport LD_LIBRARY_PATH
endif
ifneq ($(ROS_DISTRO),)
$(info The sourced ROS 2 $(ROS_DISTRO) is left aside for rclpy's wheels in $(VENV); make ROS=system would use it.)
endif
unexport _ROS_WHEELS_BOOTSTRAP_COMPLETE PYTHONPATH AMENT_PREFIX_PATH CMAKE_PREFIX_PATH COLCON_PREFIX_PATH
unexport ROS_DISTRO ROS_VERSION ROS_PYTHON_VERSION RMW_IMPLEMENTATION
endif
BIN := $(VENV)/bin
INSTALL := @.ci/environment.sh $(VENV)

.DEFAULT_GOAL := help
.PHONY: help rehearse warm test bench prove lint

help: ## this list
	@awk -F ':.*## ' '/^[a-z]+:.*## / {printf "make %-9s %s\n", $$1, $$2}' Makefile

rehearse: warm ## rehearse PLAN (the demo plan by default) at SPEED times real time, with SEED
	@$(BIN)/testbed rehearse $(PLAN) $(if $(SPEED),--speed $(SPEED)) $(if $(SEED),--seed $(SEED))

warm: $(VENV)/installed ## compile all kernels once
	@$(BIN)/testbed warm

test: $(VENV)/installed-dev warm ## run all tests, or those in TESTS
	@$(BIN)/python -m pytest $(TESTS)

bench: $(VENV)/installed-dev warm ## measure the live loop beside bare middleware
	@$(BIN)/testbed bench

prove: $(VENV)/installed-dev warm ## hold the numbers against sources outside the project, and repeat the hard cases
	@$(BIN)/python -m pytest -v -m "prove or not prove" tests/external tests/prove tests/graph

lint: $(VENV)/installed-dev ## ruff and mypy
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check .
	@$(BIN)/mypy

# The stamps are written last, so that a broken installation is taken up again.
$(VENV)/installed: setup.py pyproject.toml .ci/environment.sh
	$(INSTALL) "$(EXTRAS)" $(filter system,$(ROS))
	@touch $@

$(VENV)/installed-dev: $(VENV)/installed
	$(INSTALL) $(DEV) $(filter system,$(ROS))
	@touch $@
