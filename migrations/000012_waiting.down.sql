drop index work_emergency;
drop index treatment_movers;
