// Package kinematics holds the arithmetic of motion: filters, derivatives,
// angles, centre of mass and the uncertainty of each. The functions are pure;
// they know no joints by name, no picture and no clip. Units stand in the names
// of the parameters. An angle is in degrees where its name ends in Deg.
//
// Where a result does not exist (equal points, no labelled keypoint) it is NaN,
// never 0.
package kinematics
