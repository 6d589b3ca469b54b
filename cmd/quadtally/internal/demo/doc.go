// Package demo invents a season of a weed trial and renders its photos: leeks
// set after rolled winter cereals at the invented Alder Bend trial ground.
// Every number that the trial tool should find again is known beforehand: where
// each plant is rooted, how much of the ground its leaves cover, where the
// frame's corners fall in the picture.
//
// Nothing here is real data, and the package shares no code with the part that
// measures photos: truth must not share its errors.
//
// Season makes the plan with all truth, Renderer paints one photo of it, and
// SeasonPlan.Write paints the whole folder. On one kind of processor the same
// Config gives the same bytes.
package demo
