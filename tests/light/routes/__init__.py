"""Slow, independent routes to the light in layered ice, in plain numpy and scipy.

None of them shares a line, a transform or a discretisation with the package: where they agree with it,
the physics is right. Conventions of all: depths in m, positive down; ns; one photon emitted at t = 0;
H0 is the fluence rate integrated over a bin (1/m2, photon path length per volume), H1 the same weighted
by the direction cosine along depth (+1: travelling down).
"""
