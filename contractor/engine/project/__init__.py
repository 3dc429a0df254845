"""The makespan of one project: activities that follow one another and share limited resources."""
