"""The driver ``here``: a guest made of processes of this machine, with a layer of vCPUs; no hypervisor, no root.

Two child processes make up a guest, so that the tool, the login and the layer do not disturb each other::

    trialbed (driver.py, hypervisor.py, link.py)
     └── guest (guest.py, machine.py)     the vCPU layer: vcpus.py, accounting.py, holds.py, tasks.py
          └── login (login.py, server/)     SSH on 127.0.0.1: guest and host log in here
               └── sh -c COMMAND             the guest's tasks and what descends from them
"""
