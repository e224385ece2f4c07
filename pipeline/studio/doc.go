// Package studio makes swings whose truth is known: a kinematic model of a
// hitter whose instants and angles are parameters, a camera, keypoints and
// pictures. It stands outside a clip's own way and no part of it imports this
// package.
//
// Model axes: +X from the hitter to the pitcher, +Y from the hitter to the
// plate, +Z up, origin on the ground midway between the feet in the stance;
// metres and seconds, contact at t = 0. For a right-handed hitter these axes
// form a left-handed system; a left-handed hitter is the same motion with Y
// reflected in the world and left and right exchanged.
//
// Everything that is true of a motion (events, measures) is computed from the
// three-dimensional joints by its definition, never copied from a parameter.
package studio
