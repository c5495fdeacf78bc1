"""A scripted EHR for trying out a connection: invented patients, faults on request. It keeps everything in memory and is no server for
real data."""
