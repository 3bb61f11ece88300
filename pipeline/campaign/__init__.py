"""What people wrote: boat, sails, sail log, designed chart, races."""
