"""NumPy and SciPy twins of kernels that are hopeless as plain Python loops.

Each has the name, the arguments and the documented result of the public function that calls it where
compiled code is off (:mod:`cloudprep.kernels.compiling`), arguments already checked. They are ways of their
own to the same values, and what the tests hold the compiled kernels to. Sums are taken in the kernels' order
where a sum hangs on it, so that results are equal to the bit unless a function here says otherwise.
"""
