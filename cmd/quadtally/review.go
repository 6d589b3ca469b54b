package main

import (
	"fmt"
	"net"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/review"
	"quadtally/cmd/quadtally/internal/reviewdata"
)

func reviewCommand(a *app) *cobra.Command {
	var opt review.Options
	c := &cobra.Command{
		Use:   "review",
		Short: "Look at the photos, correct them and count on them, in a browser",
		Long: `Opens a page in which the season's photos lie by visit and plot, each straightened
to its frame, with the green outlined. There you say where a photo belongs, set
it aside, move the frame's corners, leave regions out, mark a patch as weed,
crop, cover-crop regrowth or not a plant, settle the threshold of a visit, and
count on a photo before its value is shown. Everything is kept with who did it
and when, and can be taken back.

The page answers this computer alone, works without the internet, and ends with
Ctrl-C. --open-to-network lets other devices in the same network in, a phone for
instance: give this computer's address there. Whoever has the address with its
key can then see and change the trial, and what is sent is not encrypted: use it
only in a network you trust. What they do is stored under your name (--author).

` + exitHelp,
		Example: `  quadtally review
  quadtally review --visit 2 --author Ada
  quadtally review --open-to-network 192.168.1.20 --port 8080`,
		RunE: func(cmd *cobra.Command, args []string) error { return a.review(opt) },
	}
	f := c.Flags()
	f.IntVar(&opt.Port, "port", 0, "port to listen on (default: a free one)")
	f.StringVar(&opt.Open, "open-to-network", "", "`ADDRESS` of this computer under which others in the network may open the page")
	f.IntVar(&opt.Visit, "visit", 0, "visit shown first (default: all)")
	return c
}

func (a *app) review(opt review.Options) error {
	if opt.Port < 0 || opt.Port > 65535 {
		return usagef("--port %d: choose one from 1024 to 65535, or leave it away", opt.Port)
	}
	if ip := net.ParseIP(opt.Open); ip != nil && ip.IsUnspecified() {
		return usagef("--open-to-network %s: give the one address under which the others reach this computer, such as 192.168.1.20", opt.Open)
	}
	store, err := a.open()
	if err != nil {
		return err
	}
	defer store.Close()
	snap, err := store.Snapshot(a.ctx)
	if err != nil {
		return err
	}
	if opt.Visit < 0 || opt.Visit > len(snap.Trial.Visits) {
		return usagef("--visit %d: the plan has visits 1 to %d", opt.Visit, len(snap.Trial.Visits))
	}
	return review.Serve(a.ctx, reviewdata.New(a.ctx, store, a.author()), opt, func(address string) {
		fmt.Fprintln(a.out, address)
		a.flush()
		if store.ReadOnly() {
			a.note("the folder cannot be written to: the page shows everything and stores nothing")
		}
		if opt.Open != "" {
			a.note("open to the network: whoever has this address can see and change the trial")
		}
		a.note("open the address in a browser; Ctrl-C ends the page")
	})
}
